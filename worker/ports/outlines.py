"""Where a plane, or a level of a field, cuts a tube: the closed outline round one place, and what it holds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.ports.curves import LEAST_COSINE, arc_bulge, arc_length, turned_between
from worker.ports.tube import Rim, Tube
from worker.records import Bools, Floats, Ints

LEAST_IN_PLANE = 0.3  # of a unit normal, in the section: flatter against it, a deviation says little of the outline


@dataclass(frozen=True, eq=False)
class Pieces:
    """Where triangles are crossed, one piece each.

    triangle : (k,);  side : (k, 2) of it, where the piece begins and ends;  share : (k, 2) along those sides
    """

    triangle: Ints
    side: Ints
    share: Floats

    def taken(self, rows: Ints) -> Pieces:
        """Some of them."""
        return Pieces(self.triangle[rows], self.side[rows], self.share[rows])


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed outline in a plane.

    start_mm, end_mm : (k, 3) of each piece, in no order;  normal : (3,) unit, of the plane
    facing : (k, 2, 3) unit in the plane, square to the outline at both ends, into the tube
    slant : (k, 2) length of the surface's unit normal in the plane
    corner_share : (k, 2, 3) weight of the corners of ``triangle`` (k,) at both ends
    is_wall : (k,) False where it crosses a filled hole, which is no surface;  is_curve : (k,) where it is no chord
    """

    start_mm: Floats
    end_mm: Floats
    normal: Floats
    facing: Floats
    slant: Floats
    triangle: Ints
    corner_share: Floats
    is_wall: Bools
    is_curve: Bools

    @cached_property
    def _chord(self) -> Floats:
        return self.end_mm - self.start_mm

    @cached_property
    def _length(self) -> Floats:
        length: Floats = np.linalg.norm(self._chord, axis=1)
        return length

    @cached_property
    def _angles(self) -> Floats:
        """(k, 2) between chord and outline at both ends, > 0 where it bulges out of the tube; 0 at corners."""
        unit = self._chord / np.maximum(self._length, 1e-12)[:, None]
        sine = np.einsum("kij,kj->ki", self.facing, unit) * np.array([1.0, -1.0])
        is_used = (np.abs(sine) < np.sqrt(1 - LEAST_COSINE**2)) & self.is_curve[:, None]
        angles: Floats = np.where(is_used, np.arcsin(np.clip(sine, -1.0, 1.0)), 0.0)
        return angles

    @cached_property
    def lengths_mm(self) -> Floats:
        """(k,) along the outline."""
        lengths: Floats = self._length * arc_length(self._angles).mean(axis=1)
        return lengths

    @cached_property
    def _bulges_mm2(self) -> Floats:
        bulges: Floats = self._length**2 * arc_bulge(self._angles).mean(axis=1)
        return bulges

    @property
    def perimeter_mm(self) -> float:
        """Length of the whole outline."""
        return float(self.lengths_mm.sum())

    @cached_property
    def _fans(self) -> tuple[Floats, Floats, float]:
        """A place inside (3,), signed areas (k,) of triangles from it, and their sum's sign."""
        middle = self.start_mm.mean(axis=0)
        fan = np.cross(self.start_mm - middle, self.end_mm - middle) @ self.normal / 2
        return middle, fan, 1.0 if fan.sum() >= 0 else -1.0

    @property
    def area_mm2(self) -> float:
        """Area inside."""
        _, fan, sign = self._fans
        return float(sign * fan.sum() + self._bulges_mm2.sum())

    @cached_property
    def centroid_mm(self) -> Floats:
        """(3,) centroid of the area inside."""
        middle, fan, sign = self._fans
        halfway = (self.start_mm + self.end_mm) / 2 - middle
        height = 1.5 * self._bulges_mm2 / np.maximum(self._length, 1e-12)  # of a parabola, whose middle is 2/5 of it
        aside = halfway - (0.4 * height)[:, None] * self.facing.mean(axis=1)
        moment = sign * fan @ (2 * halfway / 3) + self._bulges_mm2 @ aside
        centroid: Floats = middle + moment / self.area_mm2
        return centroid

    def reach_mm(self, direction: Floats) -> float:
        """How far the outline goes from its centroid along a unit direction (3,)."""
        return float(((self.start_mm - self.centroid_mm) @ direction).max())


def plane_outline(tube: Tube, origin_mm: Floats, normal: Floats) -> Outline | None:
    """The outline round ``origin_mm`` (3,) in the plane square to ``normal`` (3,); None where an end breaks it.

    Where a bend brings the plane back into the tube, the loop whose middle lies nearest counts.
    """
    height = (tube.vertices_mm - origin_mm) @ normal
    pieces = crossed(tube, height)
    if not len(pieces.triangle):
        return None
    curves = tube.curves
    edge = curves.edge[pieces.triangle[:, None], pieces.side]
    is_used, back = np.unique(edge, return_inverse=True)
    share = curves.crossing(is_used, origin_mm, normal)[back.reshape(edge.shape)]
    places = curves.at(edge.ravel(), share.ravel()).reshape(-1, 2, 3)
    label = loops(edge)
    middles = np.array([places[label == one].mean(axis=(0, 1)) for one in range(int(label.max()) + 1)])
    nearest = int(np.argmin(np.linalg.norm(middles - origin_mm, axis=1)))
    rows = np.flatnonzero(label == nearest)
    if not _is_closed(edge[rows]):
        return None
    is_turned = tube.triangles[pieces.triangle[:, None], pieces.side] != curves.ends[edge, 0]
    chosen = Pieces(pieces.triangle, pieces.side, np.where(is_turned, 1 - share, share)).taken(rows)
    return _outline(tube, chosen, places[rows], normal)


def rim_outline(tube: Tube, rim: Rim) -> Outline:
    """The outline of a flat end itself."""
    count = len(rim.triangle)
    pieces = Pieces(rim.triangle, np.column_stack([rim.side, rim.side]), np.tile([0.0, 1.0], (count, 1)))
    ends = np.stack([tube.triangles[rim.triangle, rim.side], tube.triangles[rim.triangle, (rim.side + 1) % 3]], axis=1)
    places = tube.vertices_mm[ends]
    flat = places - ((places - rim.centre_mm) @ rim.outward)[..., None] * rim.outward
    return _outline(tube, pieces, flat, rim.outward)


def moved_outline(outline: Outline, tube: Tube, shift_mm: Floats) -> Outline:
    """The outline in its own plane as the surface round it moves with shifts (v, 3) of its vertices.

    Each place of a wall goes square to the outline as far as the shifted surface's tangent plane meets the section.
    """
    shift = np.einsum("kec,kci->kei", outline.corner_share, shift_mm[tube.triangles[outline.triangle]])
    normals = np.einsum("kec,kci->kei", outline.corner_share, tube.corner_normal[outline.triangle])
    off = np.einsum("kei,kei->ke", shift, normals / np.linalg.norm(normals, axis=2, keepdims=True))
    square = (off / outline.slant)[..., None] * outline.facing
    flat = shift - (shift @ outline.normal)[..., None] * outline.normal
    step = np.where(outline.is_wall[:, None, None], square, flat)
    is_curve = outline.is_curve & tube.is_exact[outline.triangle]
    return replace(
        outline, start_mm=outline.start_mm + step[:, 0], end_mm=outline.end_mm + step[:, 1], is_curve=is_curve
    )


def crossed(tube: Tube, height: Floats) -> Pieces:
    """Triangles with corners on both sides of nothing, heights (v,) varying along edges evenly.

    A piece begins on the side of its triangle where the winding falls below nothing.
    """
    corner = height[tube.triangles]
    is_high = corner >= 0
    rows = np.flatnonzero(is_high.any(axis=1) & ~is_high.all(axis=1))
    high, corner = is_high[rows], corner[rows]
    ahead, following = np.roll(high, -1, axis=1), np.roll(corner, -1, axis=1)
    side = np.column_stack([np.argmax(high & ~ahead, axis=1), np.argmax(~high & ahead, axis=1)])
    at = np.take_along_axis(corner, side, axis=1)
    share = at / (at - np.take_along_axis(following, side, axis=1))
    return Pieces(rows, side, share)


def loops(edge: Ints) -> Ints:
    """Number (k,) of the connected loop each piece belongs to, from the edges (k, 2) it runs between."""
    _, node = np.unique(edge, return_inverse=True)
    node = node.reshape(edge.shape)
    size = int(node.max()) + 1
    graph = coo_array((np.ones(len(node), dtype=np.int8), (node[:, 0], node[:, 1])), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    found: Ints = label[node[:, 0]].astype(np.int64)
    return found


def in_order(outline: Outline) -> Floats:
    """Places (n, 3) round the outline, the first again at the end, for drawing."""
    across = np.cross(outline.normal, outline.facing[0, 0])
    aside = outline.start_mm - outline.centroid_mm
    order = np.argsort(np.arctan2(aside @ across, aside @ outline.facing[0, 0]))
    places: Floats = outline.start_mm[np.r_[order, order[:1]]]
    return places


def _is_closed(edge: Ints) -> bool:
    return bool(np.array_equal(np.sort(edge[:, 0]), np.sort(edge[:, 1])))


def _outline(tube: Tube, pieces: Pieces, places: Floats, normal: Floats) -> Outline:
    """The outline of pieces whose ends lie at places (k, 2, 3)."""
    rows = np.arange(len(pieces.triangle))
    corner_share = np.zeros((len(rows), 2, 3))
    facing, slant = np.empty((len(rows), 2, 3)), np.empty((len(rows), 2))
    for end in (0, 1):
        side, share = pieces.side[:, end], pieces.share[:, end]
        corner_share[rows, end, side] = 1 - share
        corner_share[rows, end, (side + 1) % 3] += share
        own = tube.corner_normal[pieces.triangle]
        surface = turned_between(own[rows, side], own[rows, (side + 1) % 3], share)
        flat = surface - (surface @ normal)[:, None] * normal
        length = np.linalg.norm(flat, axis=1)
        facing[:, end] = flat / np.maximum(length, 1e-12)[:, None]
        slant[:, end] = np.maximum(length, LEAST_IN_PLANE)
    is_wall, is_curve = ~tube.is_filling[pieces.triangle], tube.is_curved[pieces.triangle]
    return Outline(places[:, 0], places[:, 1], normal, facing, slant, pieces.triangle, corner_share, is_wall, is_curve)

"""What a pocket or chamber holds when a plane closes it, as a burette would read it through a flat plate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.offsets.outline import CuttingPlane
from worker.offsets.sheet import Sheet, open_edges
from worker.records import Bools, Floats, Ints, Samples


@dataclass(frozen=True, eq=False)
class Filled:
    """A cavity filled to the brim.

    volume_mm3 : between the walls and the plane
    brim_area_mm2, brim_middle_mm : (3,) of the opening in the plane
    depth_mm : of its lowest corner below the plane
    """

    volume_mm3: float
    brim_area_mm2: float
    brim_middle_mm: Floats
    depth_mm: float


@dataclass(frozen=True, eq=False)
class Opening:
    """A rim of the walls that does not lie in the closing plane.

    edges : (e, 2) corners, as the walls' triangles run through them
    middle_mm : (3,);  below_mm : how far its lowest corner lies below the plane
    is_ring : whether its edges close to one ring, so that a plug could close it
    """

    edges: Ints
    middle_mm: Floats
    below_mm: float
    is_ring: bool


def filled(corners_mm: Floats, triangles: Ints, plane: CuttingPlane) -> Filled:
    """Volume below the plane over the triangles (t, 3), by the divergence theorem.

    corners_mm : (p, 3);  plane : its normal points out of the cavity

    The field is the height above the plane along its normal: the plane itself and walls square to it add
    nothing, so that walls which end a little below the plane are taken to go straight up to it.  Triangles
    face out of material, into the cavity; what lies above the plane is cut off.
    """
    height = (corners_mm - plane.point_mm) @ plane.normal
    flat = plane.flat(corners_mm)
    kept = triangles[(height[triangles] < 0).any(axis=1)]
    own = np.concatenate([flat[kept], height[kept][:, :, None]], axis=2)
    below = _cut_off(own)
    first = below[:, 1, :2] - below[:, 0, :2]
    second = below[:, 2, :2] - below[:, 0, :2]
    seen = (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / 2  # signed area seen along the normal
    brim = float(seen.sum())
    middle = (below[:, :, :2].mean(axis=1) * seen[:, None]).sum(axis=0) / brim if brim != 0 else np.zeros(2)
    return Filled(
        volume_mm3=float(-(below[:, :, 2].mean(axis=1) * seen).sum()),
        brim_area_mm2=brim,
        brim_middle_mm=plane.point_mm + middle @ plane.basis,
        depth_mm=float(max(-height[kept].min(initial=0.0), 0.0)),
    )


def openings(corners_mm: Floats, triangles: Ints, plane: CuttingPlane, tolerance_mm: float) -> tuple[Opening, ...]:
    """Rims of the walls that lie below the plane by more than the tolerance: there the cavity is not closed."""
    height = (corners_mm - plane.point_mm) @ plane.normal
    edges = open_edges(triangles)
    edges = edges[(height[edges] < -tolerance_mm).any(axis=1)]
    if not len(edges):
        return ()
    graph = coo_array((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(len(corners_mm),) * 2)
    _, label = connected_components(graph, directed=False)
    own = label[edges[:, 0]]
    found = []
    for number in np.unique(own):
        rim = edges[own == number]
        ends, count = np.unique(rim, return_counts=True)
        is_ring = bool((count == 2).all() and (height[ends] < tolerance_mm).all())
        middle = corners_mm[rim].mean(axis=(0, 1))
        found.append(Opening(rim, middle, float(-height[ends].min()), is_ring))
    return tuple(sorted(found, key=lambda one: -len(one.edges)))


def plugged(corners_mm: Floats, triangles: Ints, rims: tuple[Opening, ...]) -> tuple[Floats, Ints]:
    """Corners (p + r, 3) and triangles with each rim closed flat, by a fan from the mean of its corners."""
    hubs = [corners_mm[np.unique(rim.edges)].mean(axis=0) for rim in rims]
    fans = [
        np.column_stack([rim.edges[:, ::-1], np.full(len(rim.edges), len(corners_mm) + number)])
        for number, rim in enumerate(rims)
    ]
    return np.concatenate([corners_mm, *(hub[None] for hub in hubs)]), np.concatenate([triangles, *fans])


def brim_corners(corners_mm: Floats, triangles: Ints, plane: CuttingPlane, tolerance_mm: float) -> Bools:
    """Corners (p,) of open edges that lie in the plane."""
    height = (corners_mm - plane.point_mm) @ plane.normal
    edges = open_edges(triangles)
    is_on = np.zeros(len(corners_mm), dtype=bool)
    is_on[edges[(np.abs(height[edges]) <= tolerance_mm).all(axis=1)].ravel()] = True
    return is_on


def hollow_between_samples(sheet: Sheet, samples: Samples, plane: CuttingPlane) -> float:
    """Volume, mm3, between the flat triangles below the plane and the curved surface, from the samples' normals.

    Over an edge e whose normals differ by dn the surface bulges out of material by e . dn / 8 at its middle; the
    mean over a triangle is that of its three middles, exact for a quadratic surface.  > 0 where walls are hollow.
    """
    corners, normals = samples.points_mm[sheet.triangle_samples], samples.normals[sheet.triangle_samples]
    edge = np.roll(corners, -1, axis=1) - corners
    turn = np.roll(normals, -1, axis=1) - normals
    area = np.linalg.norm(np.cross(edge[:, 0], edge[:, 1]), axis=1) / 2
    bulge = np.einsum("tij,tij->t", edge, turn) / 24
    is_below = (corners.mean(axis=1) - plane.point_mm) @ plane.normal < 0
    return float(-(area * bulge)[is_below].sum())


def _cut_off(triangles: Floats) -> Floats:
    """The parts (k, 3, 3) of triangles (t, 3, 3) whose third coordinate is below nothing."""
    is_below = triangles[:, :, 2] < 0
    count = is_below.sum(axis=1)
    one, two = triangles[count == 1], triangles[count == 2]
    one = _turned(one, np.argmax(is_below[count == 1], axis=1))
    two = _turned(two, np.argmin(is_below[count == 2], axis=1))
    tip = np.stack([one[:, 0], _level(one[:, 0], one[:, 1]), _level(one[:, 0], one[:, 2])], axis=1)
    left, right = _level(two[:, 0], two[:, 1]), _level(two[:, 0], two[:, 2])
    halves = [np.stack([left, two[:, 1], two[:, 2]], axis=1), np.stack([left, two[:, 2], right], axis=1)]
    return np.concatenate([triangles[count == 3], tip, *halves])


def _turned(triangles: Floats, first: Ints) -> Floats:
    """Corners in the same sense, beginning with the one named (t,)."""
    order = (first[:, None] + np.arange(3)) % 3
    turned: Floats = np.take_along_axis(triangles, order[:, :, None], axis=1)
    return turned


def _level(start: Floats, end: Floats) -> Floats:
    """Where lines (n, 3) to (n, 3) reach height nothing."""
    share = start[:, 2] / (start[:, 2] - end[:, 2])
    met: Floats = start + share[:, None] * (end - start)
    return met

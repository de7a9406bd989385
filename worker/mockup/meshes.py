"""Meshes of the mock-up: the piece as it is, closed at its creases, and parts, each ready to be asked for distances."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.measuring.patches import JOIN_STEP_MM
from worker.records import Bools, Floats, Ints, Samples
from worker.surface import SurfaceQuery

LEAST_CREASE = 0.02  # of the normals' squares: faces that meet flatter than about 16 degrees are averaged
SLIVER_MM2 = 1e-14  # a triangle of no area has no place of its own: its edges belong to its neighbours
SMOOTH_COSINE = float(np.cos(np.radians(30.0)))  # facets of one curved surface meet flatter than that


@dataclass(frozen=True, eq=False)
class Mesh:
    """A triangle mesh to measure distances from and to.

    vertices_mm : (v, 3) float64, mm, own frame;  triangles : (m, 3) int64, counter-clockwise from outside
    source : (m,) int64, the triangle of the mesh it was made from
    """

    vertices_mm: Floats
    triangles: Ints
    source: Ints

    @cached_property
    def corners_mm(self) -> Floats:
        """(m, 3, 3) corners of each triangle."""
        return self.vertices_mm[self.triangles]

    @cached_property
    def query(self) -> SurfaceQuery:
        """Nearest places and sides."""
        return SurfaceQuery(self.vertices_mm, self.triangles)

    @cached_property
    def model(self) -> Any:
        """The mesh as the distance library holds it."""
        import fcl  # noqa: PLC0415  native: loaded only in the process that measures

        model = fcl.BVHModel()
        model.beginModel(len(self.vertices_mm), len(self.triangles))
        model.addSubModel(self.vertices_mm, self.triangles)
        model.endModel()
        return model

    @cached_property
    def box_mm(self) -> Floats:
        """(2, 3) least and largest corner of what the triangles use."""
        used = self.corners_mm.reshape(-1, 3)
        return np.stack([used.min(axis=0), used.max(axis=0)])

    @cached_property
    def _triangle_boxes_mm(self) -> tuple[Floats, Floats]:
        """(3, m) each: least and largest coordinates of each triangle."""
        columns = self.corners_mm.transpose(2, 0, 1)
        low, high = columns.min(axis=2), columns.max(axis=2)
        return np.ascontiguousarray(low), np.ascontiguousarray(high)

    def within(self, box_mm: Floats) -> Ints:
        """Triangles whose own box meets a box (2, 3)."""
        low, high = self._triangle_boxes_mm
        meets = np.ones(len(self.triangles), dtype=bool)
        for axis in range(3):
            meets &= (low[axis] <= box_mm[1, axis]) & (high[axis] >= box_mm[0, axis])
        return np.flatnonzero(meets)

    @cached_property
    def is_closed(self) -> bool:
        """Every edge has as many triangles on the one side as on the other."""
        start, end = self.triangles.ravel(), np.roll(self.triangles, -1, axis=1).ravel()
        count = len(self.vertices_mm)
        there, back = np.sort(start * count + end), np.sort(end * count + start)
        return bool(np.array_equal(there, back))

    @cached_property
    def probes_mm(self) -> Floats:
        """(k, 3) one vertex of each connected part."""
        count = len(self.vertices_mm)
        ends = np.concatenate([self.triangles[:, [0, 1]], self.triangles[:, [1, 2]]])
        graph = coo_array((np.ones(len(ends), dtype=np.int8), (ends[:, 0], ends[:, 1])), shape=(count, count))
        _, label = connected_components(graph, directed=False)
        used = np.unique(self.triangles)
        _, first = np.unique(label[used], return_index=True)
        return self.vertices_mm[used[first]]

    def sagitta_mm(self, triangle: int) -> float:
        """How far a facet may lie off the curved surface it stands for: edge times turn over eight, creases apart."""
        own = self.triangles[triangle]
        shared = np.zeros(len(self.triangles), dtype=np.int8)
        for corner in own:
            for side in self.triangles.T:
                shared += side == corner
        corners = self.corners_mm[np.r_[triangle, np.flatnonzero(shared == 2)]]
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        cosine = np.clip(normals[1:] @ normals[0], -1.0, 1.0)
        smooth = cosine[cosine > SMOOTH_COSINE]
        corners = self.corners_mm[triangle]
        edge = float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).max())
        turn = float(np.arccos(smooth.min())) if len(smooth) else 0.0
        return edge * turn / 8 if turn > 1e-6 else 0.0


def mesh_of(vertices_mm: Floats, triangles: Ints) -> Mesh | None:
    """A mesh without its triangles of no area; None where nothing is left.

    vertices_mm : (v, 3) mm;  triangles : (m, 3)
    """
    corners = vertices_mm[triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    kept = np.flatnonzero(np.einsum("ij,ij->i", cross, cross) > SLIVER_MM2)
    if not len(kept):
        return None
    return Mesh(np.ascontiguousarray(vertices_mm, dtype=np.float64), np.ascontiguousarray(triangles[kept]), kept)


def part_of(mesh: Mesh, is_kept: Bools) -> Mesh | None:
    """The triangles marked (m,) of a mesh, as one of their own; ``source`` is into that mesh."""
    kept = np.flatnonzero(is_kept)
    return None if not len(kept) else Mesh(mesh.vertices_mm, np.ascontiguousarray(mesh.triangles[kept]), kept)


def cut_out(mesh: Mesh, triangles: Ints) -> Mesh | None:
    """Some triangles (k,) of a mesh with their own vertices only, ``source`` into that mesh; None for none."""
    if not len(triangles):
        return None
    used, corner = np.unique(mesh.triangles[triangles], return_inverse=True)
    return Mesh(mesh.vertices_mm[used], corner.reshape(-1, 3).astype(np.int64), triangles)


def closed_piece(samples: Samples, offset_mm: Floats, places: tuple[Ints, int] | None = None) -> tuple[Floats, Ints]:
    """The surface with every sample moved by its offset (s,) along its normal, without gaps at creases.

    Returns vertices (v, 3) and the vertex of each sample (s,).  Where faces meet, the place moves as little as
    meets the offsets of all of them; faces that meet nearly flat are averaged.
    places : what ``places_of`` gives, where it is at hand
    """
    place, count = places or places_of(samples.points_mm)
    normal, number = samples.normals, np.bincount(place, minlength=count)
    square = np.zeros((count, 3, 3))
    side = np.zeros((count, 3))
    for axis in range(3):
        side[:, axis] = np.bincount(place, normal[:, axis] * offset_mm, minlength=count)
        for other in range(3):
            square[:, axis, other] = np.bincount(place, normal[:, axis] * normal[:, other], minlength=count)
    shift = side / number[:, None]  # right where one sample stands alone: its normal times its offset
    shared = np.flatnonzero(number > 1)
    values, vectors = np.linalg.eigh(square[shared])
    held = values > LEAST_CREASE * values[:, -1:]
    along = np.einsum("nji,nj->ni", vectors, side[shared]) * held / np.where(held, values, 1.0)
    shift[shared] = np.einsum("nij,nj->ni", vectors, along)
    first = np.empty(count, dtype=np.int64)
    first[place[::-1]] = np.arange(len(place))[::-1]
    return samples.points_mm[first] + shift, place


def places_of(points_mm: Floats) -> tuple[Ints, int]:
    """Number (s,) of the place each sample lies at, and how many there are.

    Two grids half a step apart, so that no place is split by the border of a cell.
    """
    scaled = points_mm / JOIN_STEP_MM
    labels = []
    start: int = len(points_mm)
    for shift in (0.0, 0.5):
        cell = np.floor(scaled + shift).astype(np.int64)
        order = np.lexsort(cell.T)
        is_new = np.r_[True, (np.diff(cell[order], axis=0) != 0).any(axis=1)]
        label = np.empty(len(points_mm), dtype=np.int64)
        label[order] = np.cumsum(is_new) - 1 + start
        start = int(label.max()) + 1
        labels.append(label)
    own = np.arange(len(points_mm))
    pairs = (np.concatenate([own, own]), np.concatenate(labels))
    graph = coo_array((np.ones(len(pairs[0]), dtype=np.int8), pairs), shape=(start, start))
    _, place = connected_components(graph, directed=False)
    used, number = np.unique(place[: len(points_mm)], return_inverse=True)
    return number.reshape(-1).astype(np.int64), len(used)

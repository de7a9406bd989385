"""A region of nominal's surface as a tube: its triangles joined across faces, its two open ends, small holes filled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.measuring.patches import JOIN_STEP_MM
from worker.measuring.seen import NotMeasured
from worker.ports.curves import EdgeCurves, edge_curves
from worker.records import Bools, Floats, Ints, Samples

WHOLE_SHARE = 0.9  # of the region's area that its largest connected piece must hold; specks at borders may be left out
THIRD_END = 0.5  # of the smaller end's area: a further opening this wide is an end too, not a hole in the wall
LEAST_END = 0.05  # of the wider end's area: a smaller opening is a hole in a blind cavity
LEAST_TRIANGLES = 24  # fewer do not tell a tube from a patch
FLAT_END_SPACINGS = 0.05  # an end this flat, in spacings of its own points, was cut by a plane
LEAST_EIGENVALUE = (
    0.1  # of a corner's normals, to the largest: faces that meet flatter than about 35 degrees move as one
)


@dataclass(frozen=True, eq=False)
class Rim:
    """An open end.

    triangle, side : (n,) the triangle of each of its edges, and which side of it
    centre_mm : (3,) centroid of the opening;  outward : (3,) unit, out of the tube
    area_mm2 : of the opening, chords as edges;  is_flat : it lies in a plane
    """

    triangle: Ints
    side: Ints
    centre_mm: Floats
    outward: Floats
    area_mm2: float
    is_flat: bool


@dataclass(frozen=True, eq=False)
class Tube:
    """Surface of a hole that is open at two ends; normals and windings look into it.

    vertices_mm : (v, 3);  triangles : (t, 3) into them, those that fill holes last
    corner_sample : (t, 3) into ``Samples``, -1 in what fills a hole
    corner_normal : (t, 3, 3) unit, smooth within a face
    is_curved : (t,) triangles that stand for the smooth surface through their corners, not for themselves
    is_exact : (t,) those whose deviations are measured from the exact surface, not from facets
    rims : wider end first
    """

    vertices_mm: Floats
    triangles: Ints
    corner_sample: Ints
    corner_normal: Floats
    is_curved: Bools
    is_exact: Bools
    rims: tuple[Rim, Rim]
    spacing_mm: float

    @property
    def is_filling(self) -> Bools:
        """(t,) triangles that fill a hole."""
        filling: Bools = self.corner_sample[:, 0] < 0
        return filling

    @cached_property
    def curves(self) -> EdgeCurves:
        """Edges as the smooth surface has them."""
        return edge_curves(self.vertices_mm, self.triangles, self.corner_normal, self.is_curved)

    def moved(self, shift_mm: Floats) -> Tube:
        """The piece's: every vertex shifted by (v, 3).

        Deviations from facets hold already what the surface bulges out of them; only where they were measured
        from the exact surface is the piece's own as curved.
        """
        return replace(self, vertices_mm=self.vertices_mm + shift_mm, is_curved=self.is_curved & self.is_exact)

    def shifts(self, off_mm: Floats) -> Floats:
        """Shift (v, 3) of the vertices that moves the faces at each by ``off_mm`` (s,) of their samples, outward.

        Where faces meet at an edge all of them are obeyed; the middle of a filled hole goes with its border.
        """
        own = ~self.is_filling
        corners = np.unique(np.column_stack([self.triangles[own].ravel(), self.corner_sample[own].ravel()]), axis=0)
        vertex, sample = corners.T
        normal = np.zeros((len(off_mm), 3))
        normal[self.corner_sample[own].ravel()] = self.corner_normal[own].reshape(-1, 3)
        normals, count = normal[sample], len(self.vertices_mm)
        is_alone = np.bincount(vertex, minlength=count)[vertex] == 1
        shift = np.zeros((count, 3))
        length_sq = np.einsum("ij,ij->i", normals[is_alone], normals[is_alone])
        reach = off_mm[sample[is_alone]] / np.where(length_sq > 0, length_sq, 1.0)
        shift[vertex[is_alone]] = normals[is_alone] * reach[:, None]
        shared, at = np.unique(vertex[~is_alone], return_inverse=True)
        shift[shared] = _met(at.reshape(-1), normals[~is_alone], off_mm[sample[~is_alone]])
        middles = self.triangles[self.is_filling]
        for middle in np.unique(middles[:, 2]):  # few: one for each hole
            shift[middle] = shift[middles[middles[:, 2] == middle, 0]].mean(axis=0)
        return shift


def _met(vertex: Ints, normals: Floats, off_mm: Floats) -> Floats:
    """Shift (v, 3) of vertices that obeys each of their faces: by ``off_mm`` (n,) along the normals (n, 3)."""
    count = int(vertex.max(initial=-1)) + 1
    square, pull = np.zeros((count, 3, 3)), np.zeros((count, 3))
    np.add.at(square, vertex, normals[:, :, None] * normals[:, None, :])
    np.add.at(pull, vertex, normals * off_mm[:, None])
    values, vectors = np.linalg.eigh(square)
    kept = values > LEAST_EIGENVALUE * np.maximum(values[:, 2:], 1e-300)
    along = np.einsum("vij,vi->vj", vectors, pull) * np.divide(1.0, values, out=np.zeros_like(values), where=kept)
    shift: Floats = np.einsum("vij,vj->vi", vectors, along)
    return shift


def tube_of(samples: Samples, is_member: Bools, is_exact: Bools) -> Tube | NotMeasured:
    """The marked samples' surface as a tube, or why it is none.

    is_member : (s,);  is_exact : (s,) whose deviations are measured from the exact surface
    """
    rows = np.flatnonzero(is_member[samples.triangles].all(axis=1))
    if len(rows) < LEAST_TRIANGLES:
        return NotMeasured("the region holds too little surface for a port")
    corner_sample = samples.triangles[rows]
    used, place = np.unique(corner_sample, return_inverse=True)
    _, first, vertex = np.unique(
        np.round(samples.points_mm[used] / JOIN_STEP_MM), axis=0, return_index=True, return_inverse=True
    )
    vertices, triangles = samples.points_mm[used[first]], vertex.reshape(-1)[place.reshape(-1, 3)]
    is_whole = (triangles != np.roll(triangles, 1, axis=1)).all(axis=1)
    triangles, corner_sample = triangles[is_whole], corner_sample[is_whole]
    kept, share = _largest_piece(vertices, triangles)
    if share < WHOLE_SHARE:
        return NotMeasured(f"the region is in pieces; the largest is {share:.0%} of its surface")
    triangles, corner_sample = triangles[kept], corner_sample[kept]
    return _with_ends((vertices, triangles), corner_sample, samples, is_exact)


def _with_ends(mesh: tuple[Floats, Ints], corner_sample: Ints, samples: Samples, is_exact: Bools) -> Tube | NotMeasured:
    """Sort the openings into two ends and holes, and fill the holes; mesh : vertices (v, 3) and triangles (t, 3)."""
    vertices, triangles = mesh
    openings = sorted(_openings(vertices, triangles), key=lambda rim: -rim.area_mm2)
    if len(openings) < 2 or openings[1].area_mm2 < LEAST_END * openings[0].area_mm2:
        return NotMeasured("the region is not open at two ends")
    if len(openings) > 2 and openings[2].area_mm2 > THIRD_END * openings[1].area_mm2:
        return NotMeasured("the region has more than two open ends; name one branch of it")
    normals = samples.normals[corner_sample]
    wider, other = openings[:2]
    if abs(wider.area_mm2 - other.area_mm2) < 0.01 * wider.area_mm2:  # alike: any rule that rounding cannot turn
        wider, other = sorted((wider, other), key=lambda rim: tuple(np.round(rim.centre_mm, 3)), reverse=True)
    points, faces, owners, facings = [vertices], [triangles], [corner_sample], [normals]
    count = len(vertices)
    for hole in openings[2:]:
        ends = _ends(triangles, hole.triangle, hole.side)
        normal = normals[hole.triangle].mean(axis=(0, 1))
        points.append(hole.centre_mm[None])
        faces.append(np.column_stack([ends[:, 1], ends[:, 0], np.full(len(ends), count)]))
        owners.append(np.full((len(ends), 3), -1))
        facings.append(np.broadcast_to(normal / max(float(np.linalg.norm(normal)), 1e-12), (len(ends), 3, 3)))
        count += 1
    owner = np.concatenate(owners)
    is_wall = owner[:, 0] >= 0
    tube = Tube(
        vertices_mm=np.concatenate(points),
        triangles=np.concatenate(faces),
        corner_sample=owner,
        corner_normal=np.concatenate(facings),
        is_curved=is_wall,
        is_exact=is_wall & is_exact[owner].all(axis=1),
        rims=(wider, other),
        spacing_mm=samples.spacing_mm,
    )
    across = other.centre_mm - wider.centre_mm
    if wider.outward @ across > 0 and other.outward @ across < 0:
        return NotMeasured("the region is the outside of a bar, not the inside of a port")
    return tube


def _largest_piece(vertices: Floats, triangles: Ints) -> tuple[Bools, float]:
    """Triangles of the largest connected piece, and its share of the area."""
    pairs = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]]])
    graph = coo_array((np.ones(len(pairs), dtype=np.int8), pairs.T), shape=(len(vertices),) * 2)
    _, label = connected_components(graph, directed=False)
    corners = vertices[triangles]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    by_piece = np.bincount(label[triangles[:, 0]], area)
    largest = int(np.argmax(by_piece))
    return label[triangles[:, 0]] == largest, float(by_piece[largest] / by_piece.sum())


def _ends(triangles: Ints, triangle: Ints, side: Ints) -> Ints:
    """(n, 2) vertices of sides of triangles, in the order of their winding."""
    return np.column_stack([triangles[triangle, side], triangles[triangle, (side + 1) % 3]])


def _openings(vertices: Floats, triangles: Ints) -> list[Rim]:
    """Every loop of edges that have one triangle only."""
    starts, ends = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    key = np.minimum(starts, ends) * len(vertices) + np.maximum(starts, ends)
    _, back, count = np.unique(key, return_inverse=True, return_counts=True)
    half = np.flatnonzero(count[back.reshape(-1)] == 1)
    graph = coo_array((np.ones(len(half), dtype=np.int8), (starts[half], ends[half])), shape=(len(vertices),) * 2)
    _, label = connected_components(graph, directed=False)
    return [
        _rim(vertices, triangles, half[label[starts[half]] == own]) for own in np.unique(label[starts[half]]).tolist()
    ]


def _rim(vertices: Floats, triangles: Ints, half_edges: Ints) -> Rim:
    triangle, side = half_edges // 3, half_edges % 3
    ends = vertices[_ends(triangles, triangle, side)]
    middle = ends[:, 0].mean(axis=0)
    fan = np.cross(ends[:, 0] - middle, ends[:, 1] - middle) / 2
    whole = fan.sum(axis=0)
    area = float(np.linalg.norm(whole))
    outward = whole / max(area, 1e-12)
    share = fan @ outward / max(area, 1e-12)
    centre = middle + share @ ((ends[:, 0] + ends[:, 1] - 2 * middle) / 3)
    step = float(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).mean())
    off = float(np.abs((ends[:, 0] - centre) @ outward).max())
    return Rim(triangle, side, centre, outward, area, off < FLAT_END_SPACINGS * step)

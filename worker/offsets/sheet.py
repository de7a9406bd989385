"""A region of the surface as one sheet: samples of neighbouring faces that lie at one place are one corner of it.

Every face has samples of its own, so that a normal is smooth inside a face and jumps at a crease.  To cut a
region with a plane, or to fill it, its faces must hang together, as nominal and as the piece has them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from worker.records import Bools, Floats, Ints, Samples

JOIN_MM = 1e-5  # samples of two faces at one place; those put on exact surfaces agree far below this
CREASE_SHARE = 0.2  # of the largest singular value: faces within 23 degrees of each other are one smooth surface


@dataclass(frozen=True, eq=False)
class Sheet:
    """How the samples of a region hang together.

    sample : (k,) int64, the samples used;  place : (k,) int64, the corner each of them lies at
    triangles : (t, 3) int64 into corners, counter-clockwise seen from outside material
    triangle_samples : (t, 3) int64, the same triangles into samples
    count : of corners
    """

    sample: Ints
    place: Ints
    triangles: Ints
    triangle_samples: Ints
    count: int

    def mean(self, values: Floats) -> Floats:
        """Values (s,) or (s, d) of samples as corners have them: the mean of all samples at a corner."""
        own = values[self.sample]
        columns = own[:, None] if own.ndim == 1 else own
        number = np.bincount(self.place, minlength=self.count)
        summed = [np.bincount(self.place, column, minlength=self.count) for column in columns.T]
        averaged: Floats = np.stack(summed, axis=1) / number[:, None]
        return averaged[:, 0] if own.ndim == 1 else averaged


@dataclass(frozen=True, eq=False)
class Seam:
    """Corners that must end in a plane besides lying on their own faces.

    is_on : (p,) which corners;  point_mm, normal : (3,) of the plane
    """

    is_on: Bools
    point_mm: Floats
    normal: Floats


def sheet_of(samples: Samples, is_member: Bools) -> Sheet | None:
    """The triangles all of whose corners are members (s,), joined across faces; None where there is none."""
    own = samples.triangles[is_member[samples.triangles].all(axis=1)]
    if not len(own):
        return None
    sample, local = np.unique(own, return_inverse=True)
    local = local.reshape(-1, 3)
    rim = np.unique(_single_edges(local))
    pairs = cKDTree(samples.points_mm[sample[rim]]).query_pairs(JOIN_MM, output_type="ndarray")
    joined = rim[pairs]
    graph = coo_array((np.ones(len(joined)), (joined[:, 0], joined[:, 1])), shape=(len(sample),) * 2)
    count, label = connected_components(graph, directed=False)
    place: Ints = label.astype(np.int64)
    corners: Ints = place[local]
    return Sheet(sample, place, corners, own, int(count))


def open_edges(triangles: Ints) -> Ints:
    """Edges (e, 2) that one triangle alone has, in the sense that triangle runs through them."""
    return _single_edges(triangles)


def moved_corners(sheet: Sheet, samples: Samples, offset_mm: Floats, seam: Seam | None = None) -> Floats:
    """Where the corners (p, 3) lie with each face moved along its normals.

    offset_mm : (s,) along the normals of the samples;  seam : a plane some corners must end in besides

    A corner of several faces goes to where they meet; of faces that run smoothly into each other, to their mean.
    """
    start = sheet.mean(samples.points_mm)
    normal, reach = samples.normals[sheet.sample], offset_mm[sheet.sample]
    place = sheet.place
    if seam is not None:
        bound = np.flatnonzero(seam.is_on)
        place = np.concatenate([place, bound])
        normal = np.concatenate([normal, np.broadcast_to(seam.normal, (len(bound), 3))])
        reach = np.concatenate([reach, (seam.point_mm - start[bound]) @ seam.normal])
    order = np.argsort(place, kind="stable")
    number = np.bincount(place, minlength=sheet.count)
    first = np.concatenate([[0], np.cumsum(number)[:-1]])
    moved = start.copy()
    for size in np.unique(number):
        corners = np.flatnonzero(number == size)
        rows = order[first[corners][:, None] + np.arange(size)]
        moved[corners] += _to_meet(normal[rows], reach[rows])
    return moved


def _to_meet(normals: Floats, reach_mm: Floats) -> Floats:
    """Shift (c, 3) of corners by ``reach_mm`` (c, f) along the normals (c, f, 3) of each of their faces."""
    shift = np.zeros((len(normals), 3))
    moves = np.flatnonzero(reach_mm.any(axis=1))
    normals, reach_mm = normals[moves], reach_mm[moves]
    if normals.shape[1] == 1:  # nearly all corners: a decomposition of each would take most of a section's time
        square = np.einsum("cij,cij->c", normals, normals)
        shift[moves] = normals[:, 0] * (reach_mm[:, 0] / np.where(square > 0, square, 1.0))[:, None]
        return shift
    back = np.linalg.pinv(normals, rcond=CREASE_SHARE)
    shift[moves] = np.einsum("cij,cj->ci", back, reach_mm)
    return shift


def _single_edges(triangles: Ints) -> Ints:
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    edges = edges[edges[:, 0] != edges[:, 1]]
    low, high = edges.min(axis=1), edges.max(axis=1)
    _, index, number = np.unique(low * (int(edges.max()) + 1) + high, return_inverse=True, return_counts=True)
    single: Ints = edges[number[index.reshape(-1)] == 1]
    return single

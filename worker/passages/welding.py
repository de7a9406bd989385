"""Samples of several faces at one place of an edge become one vertex that lies on all of those faces."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from worker.measuring.analytic import FaceTable, exact_distance
from worker.passages.records import Surface
from worker.records import Bools, Floats, Ints, Samples

LEAST_HOLD = 0.15  # relative singular value: normals within about 17 degrees hold a place along their mean only
STEPS = 4  # of Newton's: from the sagitta of a facet the error squares each time
MOST_FACES = 6  # at one place; a fan of more is taken by its first six


def joined(samples: Samples, used: Ints, is_rim: Bools, join_mm: float) -> Ints:
    """Number (u,) of the place each used sample lies at; only rim samples of different faces are one place.

    used : (u,) indices of samples;  is_rim : (s,);  join_mm : how near the samples of one place lie
    """
    one, other = _across(samples, used, is_rim, join_mm)
    graph = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(len(used), len(used)))
    _, label = connected_components(graph, directed=False)
    place: Ints = label.astype(np.int64)
    return place


def _across(samples: Samples, used: Ints, is_rim: Bools, join_mm: float) -> tuple[Ints, Ints]:
    """Pairs (p,) of rows of ``used`` that are samples of two faces at one place."""
    rim = np.flatnonzero(is_rim[used])
    pairs = cKDTree(samples.points_mm[used[rim]]).query_pairs(join_mm, output_type="ndarray")
    one, other = rim[pairs[:, 0]], rim[pairs[:, 1]]
    differs = samples.face[used[one]] != samples.face[used[other]]
    return one[differs], other[differs]


def cut_away(surface: Surface, used: Ints) -> Bools:
    """Used samples (u,) that nominal has behind the next face of an edge, and the piece, that face moved, has not.

    A hole that lies aside has no material where nominal's face reached up to its rim; what was carried there
    from around is no surface.
    """
    samples, offset = surface.samples, surface.offset_mm
    lost = np.zeros(len(used), dtype=bool)
    one, other = _across(samples, used, surface.is_rim, surface.join_mm)
    own, mate = used[np.r_[one, other]], used[np.r_[other, one]]
    reach = float(np.abs(offset[mate]).max(initial=0.0)) + surface.join_mm
    if not len(own) or reach <= surface.join_mm:
        return lost
    inner = np.flatnonzero(~surface.is_rim[used])
    apart = cKDTree(samples.points_mm[used[inner]]).sparse_distance_matrix(
        cKDTree(samples.points_mm[own]), 2 * reach, output_type="coo_matrix"
    )
    rows, pair = inner[apart.row], apart.col.astype(np.int64)
    same = samples.face[used[rows]] == samples.face[own[pair]]
    rows, edge = rows[same], mate[pair[same]]
    place = samples.points_mm[used[rows]]
    exact, _, is_exact = exact_distance(surface.table, samples.face[edge], place)
    tangent = np.einsum("ij,ij->i", place - samples.points_mm[edge], samples.normals[edge])
    height = np.where(is_exact, exact, tangent)
    lost[rows[(height < 0) & (height > offset[edge])]] = True
    return lost


def weld(samples: Samples, offset_mm: Floats, table: FaceTable, used: Ints, place: Ints) -> Floats:
    """Vertices (v, 3): each place moved the least way on to all its faces, each of these moved by its offset.

    used, place : (u,) samples and the numbers of their places;  offset_mm : (s,) of all samples

    Faces that are not known exactly count as their tangent planes at the sample.
    """
    count = int(place.max(initial=-1)) + 1
    order = np.argsort(place, kind="stable")
    number = np.bincount(place, minlength=count)
    first = np.cumsum(number) - number
    lead = used[order[first]]
    vertices: Floats = samples.points_mm[lead] + offset_mm[lead, None] * samples.normals[lead]
    for size in range(2, int(number.max(initial=0)) + 1):
        own = np.flatnonzero(number == size)
        if len(own):
            members = used[order[first[own][:, None] + np.arange(min(size, MOST_FACES))]]
            vertices[own] = _on_all(samples, offset_mm, table, members)
    return vertices


def _on_all(samples: Samples, offset_mm: Floats, table: FaceTable, members: Ints) -> Floats:
    """Places (m, 3) of samples (m, k) on their k faces."""
    shape = members.shape
    points, normals, face = samples.points_mm[members], samples.normals[members], samples.face[members]
    place: Floats = points.mean(axis=1)
    for _ in range(STEPS):
        flat = np.repeat(place, shape[1], axis=0)
        exact, direction, is_exact = exact_distance(table, face.ravel(), flat)
        tangent = np.einsum("ijk,ijk->ij", place[:, None] - points, normals)
        distance = np.where(is_exact.reshape(shape), exact.reshape(shape), tangent)
        rows = np.where(is_exact.reshape(shape)[..., None], direction.reshape(*shape, 3), normals)
        step = np.linalg.pinv(rows, rcond=LEAST_HOLD) @ (distance - offset_mm[members])[..., None]
        place = place - step[..., 0]
    return place

"""The nearest two places of two exact surfaces, from a start on their facets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from worker.features.skin import across
from worker.measuring.analytic import exact_distance
from worker.records import Floats
from worker.walls.skins import Skin

LEAST_START_MM = 1e-3  # surfaces that all but meet have no direction between them
GRADIENT_LIMIT_MM = 1e-9  # of half the squared distance; the distance is then right to rounding


@dataclass(frozen=True, eq=False)
class Pair:
    """near_mm, far_mm : (3,) one place on each of two faces;  near_face, far_face : their numbers."""

    near_mm: Floats
    far_mm: Floats
    near_face: int
    far_face: int


def polished(skins: tuple[Skin, Skin], start: Pair, *, reach_mm: float) -> Pair | None:
    """The nearest two places of the two faces of nominal around a start.

    skins : near and far, of nominal
    reach_mm : how far either place may move from the start

    None where a face is not analytic, or where a nearest place lies beyond the borders of its face: the
    least is then held by an edge, and stays that of the facets.  Objective: half the squared
    distance, over the tangent plane of each place, both put on their exact surfaces (BFGS).
    """
    near, far = skins
    faces = (np.array([start.near_face]), np.array([start.far_face]))
    tables = (near.table, far.table)
    gap = float(np.linalg.norm(start.near_mm - start.far_mm))
    is_exact = all(table.is_analytic[face[0]] for table, face in zip(tables, faces, strict=True))
    if not is_exact or gap < LEAST_START_MM:
        return None
    origin = np.stack([start.near_mm, start.far_mm])

    def measured(places: Floats) -> tuple[Floats, Floats]:
        """Height (2,) of both over their own faces, and the outward normals (2, 3) there."""
        each = [exact_distance(tables[side], faces[side], places[[side]]) for side in (0, 1)]
        return np.concatenate([one[0] for one in each]), np.concatenate([one[1] for one in each])

    along = np.stack([across(normal) for normal in measured(origin)[1]])

    def places(moves: Floats) -> Floats:
        moved = origin + np.einsum("fi,fij->fj", moves.reshape(2, 2), along)
        height, outward = measured(moved)
        on_it: Floats = moved - height[:, None] * outward
        return on_it

    def half_square(moves: Floats) -> float:
        one, other = places(moves)
        return float((one - other) @ (one - other)) / 2

    found = minimize(half_square, np.zeros(4), method="BFGS", options={"gtol": GRADIENT_LIMIT_MM})
    ends = places(found.x)
    is_near = bool(np.linalg.norm(ends - origin, axis=1).max() <= reach_mm)
    if not (is_near and near.is_on(ends[:1])[0] and far.is_on(ends[1:])[0]):
        return None
    return Pair(ends[0], ends[1], start.near_face, start.far_face)

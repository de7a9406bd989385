"""How to move a rod's axis so that a thicker rod passes: by linear programming on what it would touch, iterated.

The distance of a place of the surface from the axis is a convex function of how the ends move, so its tangent
never promises too much: each step of the iteration keeps what it reached, up to places not yet looked at,
and those are looked at before a step is taken (sequential programming of the reverse-convex kind).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
from scipy.optimize import linprog

from worker.passages.clearance import clearance, nearest_at, within
from worker.passages.records import Rod
from worker.passages.skin import Skin, axis_distance
from worker.records import Floats, Ints

SMALL_MM = 1e-12  # for division only: where the axis goes through the surface no direction leads away from it


class Freedom(StrEnum):
    """shift: the axis moves square to itself; both_ends: each end moves by itself, square to the axis."""

    SHIFT = "shift"
    BOTH_ENDS = "both_ends"


@dataclass(frozen=True, kw_only=True)
class MoveSettings:
    """How far and how finely moves are looked for."""

    reach_mm: float = 5.0  # of either end; less than half a common rod, beyond it the passage is another one
    trust_mm: float = 1.0  # of one step to begin with: what may touch next is looked at twice as far off
    settled_mm: float = 5e-4  # steps shorter than this are the last; half of the last figure a report shows
    rounds: int = 40  # each halves the step or goes on; 11 halvings end it
    grid_mm: float = 1.0  # of first guesses for an axis that lies in material: walls are thicker
    stations: int = 5  # of the travel; the answer is measured over all of it afterwards
    corrections: int = 4  # the answer is put right by what measuring it shows; the first leaves micrometres
    bins: int = 24  # along the axis and round it, one place of the surface from each
    polygon: int = 32  # sides that stand for the circle of a move's length: 0.5 % at its corners


@dataclass(frozen=True, eq=False)
class Move:
    """Motion of both ends and what it gains.

    ends_mm : (2, 3) of the start and the end, square to the axis;  least_mm : clearance of the moved axis
    """

    ends_mm: Floats
    least_mm: float

    @property
    def longest_mm(self) -> float:
        """The longer motion of the two ends."""
        return float(np.linalg.norm(self.ends_mm, axis=1).max())


@dataclass(frozen=True, eq=False)
class _Search:
    skin: Skin
    rod: Rod
    basis: Floats  # (k, 2, 3) motion of the ends for one mm of each freedom
    settings: MoveSettings

    def ends(self, freedoms: Floats) -> Floats:
        return np.asarray(np.einsum("k,kij->ij", freedoms, self.basis))

    def moved(self, freedoms: Floats) -> Rod:
        return self.rod.shifted(self.ends(freedoms))


@dataclass(frozen=True, eq=False)
class _Tangents:
    """gap_mm : (n,) distances from the axis as it stands;  slopes : (n, k) by the freedoms."""

    gap_mm: Floats
    slopes: Floats


def best_move(skin: Skin, rod: Rod, freedom: Freedom, settings: MoveSettings | None = None) -> Move | None:
    """The move, within reach, after which the thickest rod passes; None if no clear axis was found.

    skin : of all that lies within reach of the moved rod;  objective: largest clearance, found from where
    the axis stands (or the clearest shift, where it stands in material), so that it is the best nearby.
    """
    search = _search(skin, rod, freedom, settings)
    freedoms = _begin(search)
    if freedoms is None:
        return None
    trust, least = search.settings.trust_mm, _least(search, freedoms)
    for _ in range(search.settings.rounds):
        step = _widest(search, freedoms, trust)
        tried = None if step is None else _least(search, step)
        if step is None or tried is None or tried <= least + search.settings.settled_mm / 10:
            trust /= 2
            if trust < search.settings.settled_mm:
                break
            continue
        freedoms, least = step, tried
    return Move(search.ends(freedoms), _whole_least(search, freedoms))


def least_move(skin: Skin, rod: Rod, need_mm: float, best: Move, settings: MoveSettings | None = None) -> Move | None:
    """The shortest move, all ends' motions together, that leaves a clearance of ``need_mm``; None if none was found.

    best : a move that leaves at least that much, from which the motion is drawn back
    """
    is_shift = bool(np.abs(best.ends_mm[0] - best.ends_mm[1]).max() == 0.0)
    search = _search(skin, rod, Freedom.SHIFT if is_shift else Freedom.BOTH_ENDS, settings)
    flat = search.basis.reshape(len(search.basis), -1)
    freedoms: Floats = np.linalg.pinv(flat.T) @ best.ends_mm.ravel()
    if best.least_mm < need_mm:
        return None
    standing = _whole_least(search, np.zeros(len(search.basis)))
    if standing >= need_mm:
        return Move(np.zeros((2, 3)), standing)
    wanted = need_mm
    for _ in range(search.settings.corrections):
        drawn = _drawn_back(search, freedoms, wanted)
        least = _whole_least(search, drawn)
        if least >= need_mm:
            return Move(search.ends(drawn), least)
        wanted += need_mm - least + search.settings.settled_mm
    return best


def _drawn_back(search: _Search, freedoms: Floats, need_mm: float) -> Floats:
    """Steps to ever shorter motions that leave what is needed, as far as the stations show."""
    trust, cost = search.settings.trust_mm, _cost(search, freedoms)
    for _ in range(search.settings.rounds):
        step = _shortest(search, freedoms, trust, need_mm)
        is_gain = step is not None and _cost(search, step) < cost - search.settings.settled_mm / 10
        if step is None or not is_gain or _least(search, step) < need_mm:
            trust /= 2
            if trust < search.settings.settled_mm:
                break
            continue
        freedoms, cost = step, _cost(search, step)
    return freedoms


def across(rod: Rod) -> Floats:
    """Two unit directions (2, 3) square to the axis in its first position."""
    along = (rod.first_mm[1] - rod.first_mm[0]) / rod.length_mm
    first = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(along, first)])


def _search(skin: Skin, rod: Rod, freedom: Freedom, settings: MoveSettings | None) -> _Search:
    sides = across(rod)
    if freedom is Freedom.SHIFT:
        basis = np.array([[side, side] for side in sides])
    else:
        still = np.zeros(3)
        basis = np.array([[[side, still], [still, side]] for side in sides]).reshape(4, 2, 3)
    return _Search(skin, rod, basis, settings or MoveSettings())


def _whole_least(search: _Search, freedoms: Floats) -> float:
    """Clearance over the whole travel, on the exact faces; 0 for an axis in material."""
    if not freedoms.any():
        return _standing(search.skin, search.rod)
    found = clearance(search.skin, search.moved(freedoms))
    return 0.0 if found is None else found.least_mm


@lru_cache(maxsize=1)  # every search of one rod begins there
def _standing(skin: Skin, rod: Rod) -> float:
    """Clearance of the axis where it stands, as above."""
    found = clearance(skin, rod)
    return 0.0 if found is None else found.least_mm


def _least(search: _Search, freedoms: Floats) -> float:
    """Clearance at the stations: quick, for comparing steps."""
    return float(_tangents(search, freedoms, 0.0).gap_mm.min(initial=np.inf))


def _begin(search: _Search) -> Floats | None:
    """Where the search starts: as it stands, or where that is in material the clearest of a grid of shifts."""
    start = np.zeros(len(search.basis))
    if _whole_least(search, start) > 0:
        return start
    settings = search.settings
    steps = np.arange(-settings.reach_mm, settings.reach_mm + settings.grid_mm / 2, settings.grid_mm)
    grid = np.array([(x, y) for x in steps for y in steps if np.hypot(x, y) <= settings.reach_mm])
    shifts = grid if len(start) == 2 else np.repeat(grid, 2, axis=1)
    guess = np.array([_rough_least(search, shift) for shift in shifts])
    for index in np.argsort(-guess, kind="stable")[:4]:
        if guess[index] > 0 and _whole_least(search, shifts[index]) > 0:
            return np.asarray(shifts[index])
    return None


def _rough_least(search: _Search, freedoms: Floats) -> float:
    """Distance of the nearest vertex, below 0 where the axis lies behind it."""
    skin, rod = search.skin, search.moved(freedoms)
    middles = skin.corners_mm.mean(axis=1)
    distance = axis_distance(rod, middles)
    nearest = int(np.argmin(distance))
    start, end = rod.first_mm
    share = np.clip((middles[nearest] - start) @ (end - start) / rod.length_mm**2, 0.0, 1.0)
    side = (start + share * (end - start) - middles[nearest]) @ skin.normals[nearest]
    return float(distance[nearest] if side > 0 else -distance[nearest])


def _tangents(search: _Search, freedoms: Floats, margin_mm: float) -> _Tangents:
    """What may touch within a margin beyond what touches first, a place from each bin along and round the axis."""
    rod = search.moved(freedoms)
    skin = search.skin.part(within(search.skin, rod, margin_mm))
    gaps, slopes = [], []
    for travel in np.linspace(0.0, 1.0, 1 if rod.is_still else search.settings.stations):
        facets = nearest_at(skin, rod, float(travel))
        flat = np.einsum("ij,ijk->ik", facets.barycentric, skin.corners_mm)
        kept = _binned(search, facets.share, rod.at(facets.share, facets.travel) - flat, facets.distance_mm)
        near = facets.rows(kept)
        gap = rod.at(near.share, near.travel) - skin.places(kept, near.barycentric)
        distance = np.where(near.distance_mm > 0, np.linalg.norm(gap, axis=1), 0.0)
        toward = gap / np.maximum(distance, SMALL_MM)[:, None]
        weight = np.column_stack([1 - near.share, near.share])
        gaps.append(distance)
        slopes.append(np.einsum("nj,ni,kij->nk", toward, weight, search.basis))
    return _Tangents(np.concatenate(gaps), np.concatenate(slopes))


def _binned(search: _Search, share: Floats, gap: Floats, distance: Floats) -> Ints:
    """Rows of the nearest place in each bin."""
    sides, count = across(search.rod), search.settings.bins
    angle = np.arctan2(gap @ sides[1], gap @ sides[0])
    column = np.minimum((share * count).astype(np.int64), count - 1)
    row = np.minimum(((angle / (2 * np.pi) + 0.5) * count).astype(np.int64), count - 1)
    key = column * count + row
    order = np.lexsort((distance, key))
    kept: Ints = order[np.r_[True, key[order][1:] != key[order][:-1]]]
    return kept


def _circle(search: _Search) -> Floats:
    """(2 * polygon, k): the ends' motions along the sides of a polygon, start first."""
    angle = 2 * np.pi * np.arange(search.settings.polygon) / search.settings.polygon
    ways = np.column_stack([np.cos(angle), np.sin(angle)]) @ across(search.rod)
    rows: Floats = np.einsum("wj,kij->iwk", ways, search.basis).reshape(-1, len(search.basis))
    return rows


def _widest(search: _Search, freedoms: Floats, trust_mm: float) -> Floats | None:
    """The step that leaves most: maximise r with every tangent at least r."""
    near = _tangents(search, freedoms, 2 * trust_mm)
    circle = _circle(search)
    rows = np.concatenate(
        [
            np.column_stack([-near.slopes, np.ones(len(near.gap_mm))]),
            np.column_stack([circle, np.zeros(len(circle))]),
        ]
    )
    most = np.concatenate([near.gap_mm - near.slopes @ freedoms, np.full(len(circle), search.settings.reach_mm)])
    cost = np.r_[np.zeros(len(freedoms)), -1.0]
    bounds = [(value - trust_mm, value + trust_mm) for value in freedoms] + [(0.0, None)]
    return _solved(cost, rows, most, bounds, len(freedoms))


def _shortest(search: _Search, freedoms: Floats, trust_mm: float, need_mm: float) -> Floats | None:
    """The step to the shortest motion whose tangents all leave the clearance needed."""
    near = _tangents(search, freedoms, 2 * trust_mm)  # all that is nearer than needed after the step: none is before it
    circle, sides = _circle(search), search.settings.polygon
    lengths = np.zeros((len(circle), 2))
    lengths[:sides, 0] = lengths[sides:, 1] = -1.0
    rows = np.concatenate(
        [np.column_stack([-near.slopes, np.zeros((len(near.gap_mm), 2))]), np.column_stack([circle, lengths])]
    )
    slack = near.gap_mm - near.slopes @ freedoms - need_mm - search.settings.settled_mm
    most = np.concatenate([slack, np.zeros(len(circle))])
    cost = np.r_[np.zeros(len(freedoms)), 1.0, 1.0]
    bounds = [(value - trust_mm, value + trust_mm) for value in freedoms] + [(0.0, search.settings.reach_mm)] * 2
    return _solved(cost, rows, most, bounds, len(freedoms))


def _solved(
    cost: Floats, rows: Floats, most: Floats, bounds: list[tuple[float, float | None]], count: int
) -> Floats | None:
    found = linprog(cost, A_ub=rows, b_ub=most, bounds=bounds, method="highs")
    return None if found.x is None else np.asarray(found.x[:count], dtype=np.float64)


def _cost(search: _Search, freedoms: Floats) -> float:
    return float(np.linalg.norm(search.ends(freedoms), axis=1).sum())

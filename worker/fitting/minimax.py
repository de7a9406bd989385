"""Least greatest distance: the linear programme behind minimum zones and envelopes, solved by exchange.

The distances are linearised about the element, the programme solved on the few points that matter,
the worst of the others taken in until none is worse, and all repeated about the element found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.optimize import linprog

from worker.fitting.records import ElementKind
from worker.fitting.shapes import Shape, derivatives, distances
from worker.records import Bools, Floats, Ints

Basis = Callable[[Shape], Floats]

MOST_TURNS, MOST_EXCHANGES = 40, 80
TAKEN_AT_ONCE = 6  # of the worst points, each exchange
REST = 1e-11  # of the points' size
SLACK = 1e-7  # of the zone: what the solver takes for satisfied
NEAR = 0.2  # of the residuals' range: cuts farther than this from holding the step are let go
FARTHEST = 1e5  # steps in units of the residuals' range: far beyond any least, and still well scaled
REACH = 0.2  # of the points' size: as far as one turn may move


class Side(Enum):
    """Which distances are to be small.

    BOTH : the greatest to either side (zones);  OUT : the greatest outward (circumscribed);
    IN : the greatest inward (inscribed)
    """

    BOTH = 0
    OUT = 1
    IN = -1


TOUCH = 1e-9  # of the points' own size: nearer than this all touch, as on an exact element


@dataclass(frozen=True, eq=False)
class Minimax:
    """worst : the least greatest distance;  contact : points (m,) that reach it;  cuts (m, k) their derivatives."""

    shape: Shape
    worst: float
    contact: Ints
    cuts: Floats
    is_settled: bool


def least_greatest(shape: Shape, columns: Floats, basis_of: Basis, side: Side, *, rest: float = REST) -> Minimax:
    """The element near ``shape`` whose greatest distance from columns (3, n) is least.

    basis_of : freedoms (8, k) of an element
    rest : step, of the points' size, that is the last: what is left then goes by its square
    """
    channels = 2 if shape.kind is ElementKind.LINE else 1  # of its distances
    reach, best = REACH, _worst(distances(shape, columns)[:channels], side)
    kept = np.empty(0, dtype=np.int64)
    for _ in range(MOST_TURNS):
        rows, found = derivatives(shape, columns)
        basis = basis_of(shape)
        reduced = np.einsum("kf,ckn->cfn", basis, rows[:channels])
        step, kept = _programme(reduced, found[:channels], side, reach, kept)
        trial = shape.moved(basis @ step).placed_near(np.zeros(3))
        worst = _worst(distances(trial, columns)[:channels], side)
        size = float(np.abs(step).max())
        if worst <= best + 1e-15:
            gain, shape, best = best - worst, trial, worst
            if size < rest or (size < 1e-6 and gain <= 1e-12 * abs(best)):
                break
        else:
            reach = min(size, reach) / 4
        if reach < REST:
            break
    rows, found = derivatives(shape, columns)
    reduced = np.einsum("kf,ckn->cfn", basis_of(shape), rows[:channels])
    return _result(shape, reduced, found[:channels], side)


def _result(shape: Shape, rows: Floats, found: Floats, side: Side) -> Minimax:
    worst = _worst(found, side)
    gap = float(np.ptp(_lengths(found, side)))
    contact = np.flatnonzero(_lengths(found, side) >= worst - max(1e-6 * gap, TOUCH))
    cuts = _cuts(rows, found, contact, side)[0]
    return Minimax(shape, worst, contact, cuts, bool(np.isfinite(worst)))


def _lengths(found: Floats, side: Side) -> Floats:
    """What is to be small (n,)."""
    if side is Side.BOTH:
        length: Floats = np.sqrt((found**2).sum(axis=0))
        return length
    one: Floats = side.value * found[0]
    return one


def _worst(found: Floats, side: Side) -> float:
    return float(_lengths(found, side).max())


def _cuts(rows: Floats, found: Floats, index: Ints, side: Side) -> tuple[Floats, Floats]:
    """Planes g . step + h below the distance of each point (m, k), (m,): touching it where it is now."""
    here = found[:, index]
    if side is Side.BOTH:
        length = np.sqrt((here**2).sum(axis=0))
        toward = np.where(length > 0, here / np.where(length > 0, length, 1.0), 1.0 / np.sqrt(len(here)))
    else:
        toward = np.full(here.shape, float(side.value))
    return np.einsum("cm,ckm->mk", toward, rows[:, :, index]), (toward * here).sum(axis=0)


def _programme(rows: Floats, found: Floats, side: Side, reach: float, kept: Ints) -> tuple[Floats, Ints]:
    """Step (k,) of least greatest linearised distance within ``reach``, and the points that held it."""
    unit = max(float(np.ptp(found)), 1e-14)  # the solver's tolerance is absolute
    found = found / unit
    step = np.zeros(rows.shape[1])
    index = np.union1d(kept, _outermost(found, side))
    planes, heights = _cuts(rows, found, index, side)
    owner = index
    for _ in range(MOST_EXCHANGES):
        step, worst, is_held = _solved(planes, heights, min(reach / unit, FARTHEST))
        moved = found + np.einsum("k,ckn->cn", step, rows)
        lengths = _lengths(moved, side)
        if float(lengths.max()) <= worst + SLACK:
            break
        order = _outermost(moved, side)
        more, constant = _cuts(rows, moved, order, side)
        planes = np.concatenate([planes[is_held], more])
        heights = np.concatenate([heights[is_held], constant - more @ step])
        owner = np.concatenate([owner[is_held], order])
    return step * unit, np.unique(owner)


def _outermost(found: Floats, side: Side) -> Ints:
    """The farthest few points, of either sign where both count."""
    few = min(TAKEN_AT_ONCE, found.shape[1])
    ends = [np.argpartition(-_lengths(found, side), few - 1)[:few]]
    if side is Side.BOTH:
        for row in found:
            ends.extend((np.argpartition(-row, few - 1)[:few], np.argpartition(row, few - 1)[:few]))
    return np.unique(np.concatenate(ends))


def _solved(planes: Floats, heights: Floats, reach: float) -> tuple[Floats, float, Bools]:
    count = planes.shape[1]
    found = linprog(
        np.append(np.zeros(count), 1.0),
        A_ub=np.column_stack([planes, -np.ones(len(planes))]),
        b_ub=-heights,
        bounds=[(-reach, reach)] * count + [(None, None)],
        method="highs-ds",
    )
    if found.x is None:  # cannot be: no step at all is allowed
        raise ArithmeticError(f"linear programme of {len(planes)} cuts: {found.message}")
    step = np.asarray(found.x[:count], dtype=np.float64)
    worst = float(found.x[count])
    return step, worst, worst - planes @ step - heights < NEAR

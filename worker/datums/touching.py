"""Linear models laid through heights, above them, or as a gauge that grows until it touches them.

Each answer comes with the linear map that takes small changes of the heights to changes of the
answer, for that is what its uncertainty is made of.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog, nnls

from worker.records import Floats, Ints

WORKING_SIZE = 300  # constraints taken up at a time: those nearest to being broken
MOST_ROUNDS = 40  # each takes up what the answer still breaks; a handful is usual
SLACK = 1e-8  # of the scatter of the heights: a point this little through the surface touches it
REACH = 5.0  # times the scatter of the heights: no gauge that is held goes as far
LEAST_UNIT_MM = 1e-9  # exact points scatter by nothing
TOUCHING = 1e-6  # of the scatter
ROCKING_COST = 1e-3  # of size for tilt: a gauge that can rock is held as the plain fit has it


@dataclass(frozen=True, eq=False)
class Laid:
    """values : (k,) of the model;  by_height : (k, n) their change with each height.

    is_held : False where points show one side only, so that nothing stops a gauge
    """

    values: Floats
    by_height: Floats
    is_held: bool = True


def through(columns: Floats, heights: Floats, weights: Floats) -> Laid:
    """Weighted least squares of heights (n,) by columns (n, k)."""
    normal = np.einsum("ni,n,nj->ij", columns, weights, columns)
    by_height = np.linalg.solve(normal, (columns * weights[:, None]).T)
    return Laid(np.einsum("kn,n->k", by_height, heights), by_height)


def above(columns: Floats, heights: Floats, weights: Floats) -> Laid:
    """Least squares under the condition that no height rises above the model.

    The constrained least-squares datum plane of ASME Y14.5.1-2019 (as C. M. Shakarji, V. Srinivasan,
    J. Comput. Inf. Sci. Eng. 13(1), 2013, work it out; from memory): it touches the points from
    outside and is steady where a plane could rock.
    """
    plain = through(columns, heights, weights)
    unit = max(float(np.ptp(heights - columns @ plain.values)), LEAST_UNIT_MM)
    normal = np.einsum("ni,n,nj->ij", columns, weights, columns)
    factor = np.linalg.cholesky(normal)
    values, working = plain.values, np.zeros(0, dtype=np.int64)
    touching = working
    for _ in range(MOST_ROUNDS):
        working, is_done = _taken_up(working, (heights - columns @ values) / unit)
        if is_done:
            break
        values, active = _least_step(factor, plain.values, columns[working], heights[working])
        touching = working[active]
    if not len(touching):
        return plain
    return Laid(values, _held_map(normal, plain, columns[touching], touching))


def _taken_up(working: Ints, excess: Floats) -> tuple[Ints, bool]:
    """The working set with the worst of what is broken added, and whether nothing was."""
    broken = np.flatnonzero(excess > SLACK)
    broken = np.setdiff1d(broken, working)
    if not len(broken):
        return working, True
    worst = broken[np.argsort(-excess[broken], kind="stable")[:WORKING_SIZE]]
    return np.concatenate([working, worst]), False


def _least_step(factor: Floats, start: Floats, columns: Floats, heights: Floats) -> tuple[Floats, Ints]:
    """Nearest point to ``start`` with columns @ x >= heights: least distance programming (Lawson and Hanson 1974)."""
    scaled = np.linalg.solve(factor, columns.T)  # (k, m)
    gap = heights - columns @ start
    unit = max(float(np.abs(gap).max()), 1e-300)
    rows = np.vstack([scaled, gap / unit])
    dual, _ = nnls(rows, np.r_[np.zeros(len(factor)), 1.0], maxiter=50 * rows.shape[1])
    rest = rows @ dual
    rest[-1] -= 1.0
    step = -rest[:-1] / rest[-1] * unit
    values: Floats = start + np.linalg.solve(factor.T, step)
    return values, np.flatnonzero(dual > 0)


def _held_map(normal: Floats, plain: Laid, held: Floats, touching: Ints) -> Floats:
    """(k, n) change with the heights, those that touch being met exactly."""
    lifted = np.linalg.solve(normal, held.T)
    pull = lifted @ np.linalg.pinv(held @ lifted, hermitian=True)
    by_height = plain.by_height - pull @ (held @ plain.by_height)
    by_height[:, touching] += pull
    return by_height


def gauge(columns: Floats, heights: Floats, is_inside: bool, tilts: Ints, rest: Floats) -> Laid:
    """The largest size whose gauge fits inside the heights, or the smallest that goes round them.

    columns : (n, k) the last is that of the size;  tilts : which of them are tilts
    rest : (k,) the plain fit, where a gauge that can rock rests

    A linear programme over the columns: least or largest size so that every height lies beyond, or within.
    """
    sign = 1.0 if is_inside else -1.0
    off = heights - columns @ rest
    unit = max(float(np.ptp(off)), LEAST_UNIT_MM)
    off = off / unit  # the solver's tolerances are absolute
    step, working = np.zeros_like(rest), np.argsort(sign * off, kind="stable")[:WORKING_SIZE]
    for _ in range(MOST_ROUNDS):
        step = _widest(sign, columns[working], off[working], tilts)
        working, is_done = _taken_up(working, sign * (columns @ step - off))
        if is_done:
            break
    touching = working[np.abs(columns[working] @ step - off[working]) < TOUCHING]
    by_height = np.zeros((columns.shape[1], len(heights)))
    by_height[:, touching] = np.linalg.pinv(columns[touching], rcond=1e-9)
    return Laid(rest + unit * step, by_height, bool(np.abs(step).max() < 0.99 * REACH))


def _widest(sign: float, columns: Floats, off: Floats, tilts: Ints) -> Floats:
    """Step (k,) to the largest gauge inside (sign 1), or the smallest round (-1), tilting at a small cost.

    Nothing goes farther than ``REACH``; what does is not held.
    """
    width, extra = columns.shape[1], len(tilts)
    cost = np.concatenate([np.zeros(width - 1), [-sign], np.full(extra, ROCKING_COST)])
    pick = np.zeros((extra, width))
    pick[np.arange(extra), tilts] = 1.0
    fits = np.hstack([sign * columns, np.zeros((len(columns), extra))])
    rows = np.vstack([fits, np.hstack([pick, -np.eye(extra)]), np.hstack([-pick, -np.eye(extra)])])
    limits = np.concatenate([sign * off, np.zeros(2 * extra)])
    bounds = [(-REACH, REACH)] * width + [(0.0, None)] * extra
    found = linprog(cost, A_ub=rows, b_ub=limits, bounds=bounds, method="highs")
    if found.x is None:
        raise ValueError(f"a gauge without an answer: {found.message}")  # rest, resized, always is one
    step: Floats = np.asarray(found.x[:width], dtype=np.float64)
    return step

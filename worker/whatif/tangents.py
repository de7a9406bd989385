"""Moves under straight conditions: the shortest that meets them."""

from __future__ import annotations

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, minimize

from worker.records import Floats


def straight_least(rest: Floats, slopes: Floats, most_mm: Floats) -> Floats | None:
    """The shortest move (v,) within the box with ``rest + slopes @ move`` nowhere below nothing; None without one.

    rest : (c,);  slopes : (c, v);  most_mm : (v,)

    By D. Kraft's method (DFVLR-FB 88-28, 1988), as scipy has it.
    """
    box = [(-float(most), float(most)) for most in most_mm]
    corner = linprog(np.zeros(len(most_mm)), A_ub=-slopes, b_ub=rest, bounds=box)
    if corner.x is None:
        return None
    start_mm, scale = np.asarray(corner.x, dtype=np.float64), float(most_mm.max())
    answer = minimize(
        _square,
        start_mm / scale,
        jac=_square_slope,
        method="SLSQP",
        bounds=Bounds(-most_mm / scale, most_mm / scale),
        constraints=LinearConstraint(slopes, -rest / scale, np.inf),
        options={"ftol": 1e-12},  # of the squared share of the box: straight conditions cost nothing to settle
    )
    if not answer.success:
        return start_mm
    shortest: Floats = np.clip(scale * answer.x, -most_mm, most_mm)
    return shortest


def straight_best(rest: Floats, slopes: Floats, most_mm: Floats) -> tuple[Floats, float]:
    """A move (v,) within the box that brings the least of ``rest + slopes @ move`` highest, and how high."""
    rows, count = np.column_stack([-slopes, np.ones(len(rest))]), len(most_mm)
    box = [*((-float(most), float(most)) for most in most_mm), (None, None)]
    answer = linprog(np.r_[np.zeros(count), -1.0], A_ub=rows, b_ub=rest, bounds=box)
    if answer.x is None:
        raise ValueError("a box without a corner")
    return np.asarray(answer.x[:count], dtype=np.float64), float(answer.x[count])


def _square(move: Floats) -> float:
    return float(move @ move)


def _square_slope(move: Floats) -> Floats:
    return 2 * move

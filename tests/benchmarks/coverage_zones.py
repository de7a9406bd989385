"""Least zones by linear programming: the referee of the coverage benchmark, sharing nothing with the code it judges."""

from __future__ import annotations

import numpy as np
from scipy.optimize import linprog

from worker.records import Floats

ROUNDS = 2  # distances to axes are linear in small shifts only; the second round starts from the first's answer
MOST_SHIFT_MM = 0.3  # of an envelope's axis off the fitted one; beyond, nothing holds it
MOST_ROWS = 1500  # noise-free surfaces are smooth: more points change no zone


def least_band(height_mm: Floats, columns: Floats) -> float:
    """Least w such that heights (n,), less a combination of columns (n, k) and a constant, lie in a band of width w."""
    height_mm, columns = _thinned(height_mm, columns)
    size = np.maximum(np.abs(columns).max(axis=0, initial=0.0), 1e-12)
    rows = np.column_stack([columns / size, np.ones(len(height_mm))])
    half = np.full((len(height_mm), 1), -0.5)
    middle = height_mm.mean()
    answer = linprog(
        np.r_[np.zeros(rows.shape[1]), 1.0],
        A_ub=np.block([[-rows, half], [rows, half]]),
        b_ub=np.r_[-(height_mm - middle), height_mm - middle],
        bounds=[(None, None)] * rows.shape[1] + [(0, None)],
        method="highs",
    )
    if answer.fun is None:
        raise ValueError(f"a band without an answer: {answer.message}")
    return float(answer.fun)


def least_round_band(across_mm: Floats, height_mm: Floats | None = None) -> float:
    """Width of the least ring that holds points (n, 2) across an axis; with heights, of the least tube wall."""
    turned = 1 if height_mm is None else 2
    moved = across_mm.copy()
    for _ in range(ROUNDS):
        angle, radius = np.arctan2(moved[:, 1], moved[:, 0]), np.linalg.norm(moved, axis=1)
        unit = np.column_stack([np.cos(angle), np.sin(angle)])
        columns = unit if height_mm is None else np.column_stack([unit, unit * height_mm[:, None]])
        found, _, _, _ = np.linalg.lstsq(np.column_stack([columns, np.ones(len(angle))]), radius, rcond=None)
        aside = found[:2] if height_mm is None else found[:2] + np.outer(height_mm, found[2:4])
        moved = moved - aside
    radius = np.linalg.norm(moved, axis=1)
    unit = moved / radius[:, None]
    columns = unit if turned == 1 or height_mm is None else np.column_stack([unit, unit * height_mm[:, None]])
    return least_band(radius, columns)


def envelope_radius(across_mm: Floats, height_mm: Floats, *, inscribed: bool) -> float | None:
    """Radius of the largest cylinder inside points (n, 2) about an axis, or the least round them; None if not held."""
    radius = np.linalg.norm(across_mm, axis=1)
    unit = across_mm / radius[:, None]
    scale = max(float(np.abs(height_mm).max()), 1e-12)
    rows = np.column_stack([unit, unit * (height_mm / scale)[:, None], np.ones(len(radius))])
    way = 1.0 if inscribed else -1.0
    keep = _even(len(radius))
    answer = linprog(
        np.r_[np.zeros(4), -way],
        A_ub=way * rows[keep],
        b_ub=way * radius[keep],
        bounds=[(-1.1 * MOST_SHIFT_MM, 1.1 * MOST_SHIFT_MM)] * 4 + [(None, None)],
        method="highs",
    )
    if answer.x is None or np.abs(answer.x[:4]).max() > MOST_SHIFT_MM:
        return None
    return float(answer.x[4])


def _thinned(height_mm: Floats, columns: Floats) -> tuple[Floats, Floats]:
    keep = _even(len(height_mm))
    return height_mm[keep], columns[keep]


def _even(count: int) -> slice:
    return slice(None, None, max(1, -(-count // MOST_ROWS)))

"""When points do not give an element: before a fit, and after it."""

from __future__ import annotations

import numpy as np

from worker.fitting.records import ElementKind, NotFitted, Refusal
from worker.fitting.shapes import Shape, along, angles
from worker.records import Bools, Floats

FARTHEST_MM = 1e5  # single precision, in which scans are stored, steps by 0.008 mm there
LEAST_SIZE_MM = 1e-6  # all points the same, to the rounding of any file
LEAST_ASPECT = 1e-6  # narrower than this share of their length, points lie on a line (or plane)
LEAST_POINTS = {  # one more distance than the numbers to be found, so that there is a remainder to judge by
    ElementKind.LINE: 4,
    ElementKind.PLANE: 4,
    ElementKind.CIRCLE: 4,
    ElementKind.SPHERE: 5,
    ElementKind.CYLINDER: 6,
    ElementKind.CONE: 7,
}
FLAT = (ElementKind.LINE, ElementKind.PLANE, ElementKind.CIRCLE)
GAP_FACTOR = 3.0  # a gap this many times the usual step between neighbours shows nothing
LEAST_GAP_RAD = np.radians(10.0)
SURFACE = {
    ElementKind.LINE: "a line",
    ElementKind.PLANE: "a plane",
    ElementKind.CIRCLE: "a circle",
    ElementKind.SPHERE: "a sphere",
    ElementKind.CYLINDER: "a cylinder",
    ElementKind.CONE: "a cone",
}


def refused_points(kind: ElementKind, points_mm: Floats) -> NotFitted | None:
    """Why no fit of this kind to points (n, 3) is worth trying; None if one is."""
    count = len(points_mm)
    if count == 0:
        return NotFitted(Refusal.NO_POINTS, "There are no points.")
    bad = int(np.count_nonzero(~np.isfinite(points_mm).all(axis=1)))
    if bad:
        return NotFitted(Refusal.NOT_FINITE, f"{bad} of {count} points have a coordinate that is no number.")
    if count < LEAST_POINTS[kind]:
        what = f"{SURFACE[kind]} needs at least {LEAST_POINTS[kind]} points to have any check on itself"
        return NotFitted(Refusal.TOO_FEW_POINTS, f"{count} points only: {what}.")
    return _refused_place(points_mm) or _refused_spread(kind, points_mm)


def _refused_place(points_mm: Floats) -> NotFitted | None:
    away = float(np.linalg.norm(points_mm.mean(axis=0)))
    if away > FARTHEST_MM:
        return NotFitted(
            Refusal.TOO_FAR_FROM_ORIGIN,
            f"The points lie {away:.4g} mm from the origin, where single precision files step by "
            f"{np.spacing(np.float32(away)):.2g} mm; bring them within {FARTHEST_MM:.0f} mm of it.",
        )
    return None


def _refused_spread(kind: ElementKind, points_mm: Floats) -> NotFitted | None:
    offset = points_mm - points_mm.mean(axis=0)
    size = float(np.abs(offset).max())
    if size < LEAST_SIZE_MM:
        return NotFitted(Refusal.COINCIDENT, f"All {len(points_mm)} points lie within {2 * size:.1e} mm of one place.")
    spread = np.linalg.svd(offset / size, compute_uv=False) if len(offset) < 100 else _spread(offset / size)
    if kind is not ElementKind.LINE and spread[1] < LEAST_ASPECT * spread[0]:
        return NotFitted(
            Refusal.COLLINEAR, f"All points lie on one line: {SURFACE[kind]} through it may turn about it."
        )
    if kind not in FLAT and spread[2] < LEAST_ASPECT * spread[0]:
        return NotFitted(Refusal.COPLANAR, f"All points lie in one plane, which does not tell {SURFACE[kind]}.")
    return None


def _spread(offset: Floats) -> Floats:
    """Singular values (3,) of offsets (n, 3), by way of the orthogonal factor, which keeps small ones."""
    values: Floats = np.linalg.svd(np.linalg.qr(offset, mode="r"), compute_uv=False)
    return values


def arc_rad(shape: Shape, columns: Floats) -> tuple[float, float]:
    """How much of the round columns (3, n) show (gaps left out), and the span from first to last."""
    angle = np.sort(angles(shape, columns))
    gaps = np.diff(np.append(angle, angle[0] + 2 * np.pi))
    open_gaps = gaps[gaps > max(LEAST_GAP_RAD, GAP_FACTOR * float(np.median(gaps)))]
    span = 2 * np.pi - (float(gaps.max()) if len(open_gaps) else 0.0)
    return float(2 * np.pi - open_gaps.sum()), span


def cap_rad(shape: Shape, columns: Floats) -> float:
    """Full angle of the cap of a sphere that columns (3, n) span, all but their outermost hundredth."""
    offset = columns - shape.point[:, None]
    outward = offset / np.maximum(np.sqrt((offset**2).sum(axis=0)), 1e-300)
    middle = outward.mean(axis=1)
    length = float(np.linalg.norm(middle))
    if length < 1e-3:
        return 2 * np.pi
    cosine = np.clip(along(outward, middle / length), -1.0, 1.0)
    return float(2 * np.arccos(np.quantile(cosine, 0.01)))


def length_along(shape: Shape, columns: Floats) -> float:
    """How far columns (3, n) reach along the axis, all but the outermost hundredth at either end."""
    height = along(columns, shape.direction)
    if height.size < 100:
        return float(np.ptp(height))
    low, high = np.quantile(height, [0.01, 0.99])
    return float((high - low) / 0.98)


def set_aside_text(is_kept: Bools) -> str:
    """Share of points that lie on something else, for a sentence."""
    return f"{1 - np.count_nonzero(is_kept) / len(is_kept):.0%} of the {len(is_kept)} points"

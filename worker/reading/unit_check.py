"""Catch a scan and a nominal in different units before they are compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.errors import UnitMismatch
from worker.reading.shape import area_vectors, areas_of, lengths_of
from worker.records import Floats, Ints, Nominal, Scan


@dataclass(frozen=True, kw_only=True)
class UnitCheckSettings:
    """How sizes are compared."""

    ratios: tuple[float, ...] = (25.4, 1000.0, 1000.0 / 25.4)  # inch and mm, metre and mm, metre and inch
    slack: float = 2.0  # 35 % missing or clamps in view change the size by less; 25.4 is far beyond it
    sample_count: int = 20_000  # settles the size to a percent
    size_percentile: float = 90.0  # leaves out a tenth of stray points
    table_share: float = 0.15  # a plane with more of the scan than this may be a table
    table_trials: int = 200  # a plane with a quarter of the points is missed once in 30 times a hundred runs


def check_units(nominal: Nominal, scan: Scan, settings: UnitCheckSettings | None = None) -> None:
    """Compare robust sizes: twice the 90th percentile of distance from the middle, whatever the pose.

    A table in view makes the scan larger, so the size without its largest plane counts too: only
    when both sizes speak for a wrong unit is it called one, or when the smaller one fits a ratio.

    Raises
    ------
    UnitMismatch
        With both sizes, their ratio, and the ratio of units it is close to.

    """
    settings = settings or UnitCheckSettings()
    rng = np.random.default_rng(0)
    nominal_points = _on_triangles(nominal.vertices_mm, nominal.triangles, settings.sample_count, rng)
    if scan.triangles is None:
        chosen = rng.choice(len(scan.points_mm), min(settings.sample_count, len(scan.points_mm)), replace=False)
        scan_points = scan.points_mm[np.sort(chosen)]
    else:
        scan_points = _on_triangles(scan.points_mm, scan.triangles, settings.sample_count, rng)
    nominal_mm = _size(nominal_points, settings)
    sizes = [_size(scan_points, settings), _size(_without_table(scan_points, settings, rng), settings)]
    if nominal_mm <= 0 or min(sizes) <= 0:
        return
    plain, bare = (size / nominal_mm for size in sizes)
    if _is_near_one(plain, settings) or _is_near_one(bare, settings):
        return
    for ratio in (*settings.ratios, *(1.0 / ratio for ratio in settings.ratios)):
        if 1.0 / settings.slack < bare / ratio < settings.slack:
            raise _mismatch(sizes[1], nominal_mm, ratio)


def _is_near_one(ratio: float, settings: UnitCheckSettings) -> bool:
    return 1.0 / settings.slack < ratio < settings.slack


def _mismatch(scan_mm: float, nominal_mm: float, ratio: float) -> UnitMismatch:
    factor = ratio if ratio > 1 else 1.0 / ratio
    word = "larger" if ratio > 1 else "smaller"
    return UnitMismatch(
        f"The scan is about {factor:.4g} times {word} than the nominal ({scan_mm:.4g} mm against {nominal_mm:.4g} mm), "
        "as if one of them were in another unit.",
        advice="Check the unit stated for each file: mm, inch or m.",
        scan_size_mm=scan_mm,
        nominal_size_mm=nominal_mm,
        ratio=scan_mm / nominal_mm,
    )


def _size(points: Floats, settings: UnitCheckSettings) -> float:
    offset = points - np.median(points, axis=0)
    return 2.0 * float(np.percentile(lengths_of(offset), settings.size_percentile))


def _on_triangles(points: Floats, triangles: Ints, count: int, rng: np.random.Generator) -> Floats:
    cumulative = np.cumsum(areas_of(area_vectors(points, triangles)))
    chosen = np.searchsorted(cumulative, (np.arange(count) + 0.5) * (cumulative[-1] / count))
    corners = points[triangles[np.minimum(chosen, len(triangles) - 1)]]
    weights = rng.dirichlet((1.0, 1.0, 1.0), size=count)
    return np.asarray(np.einsum("ij,ijk->ik", weights, corners))


def _without_table(points: Floats, settings: UnitCheckSettings, rng: np.random.Generator) -> Floats:
    """Leave out the plane most points lie on, if they are many and others remain."""
    thickness = 0.005 * _size(points, settings)
    few = points[rng.choice(len(points), min(2000, len(points)), replace=False)]
    best: tuple[int, Floats, float] = (0, np.zeros(3), 0.0)
    for _ in range(settings.table_trials):
        a, b, c = few[rng.choice(len(few), 3, replace=len(few) < 3)]
        normal = np.cross(b - a, c - a)
        length = float(np.linalg.norm(normal))
        if length == 0.0:
            continue
        normal = normal / length
        held = int(np.count_nonzero(np.abs((few - a) @ normal) < thickness))
        if held > best[0]:
            best = (held, normal, float(a @ normal))
    is_off = np.abs(points @ best[1] - best[2]) > 2.0 * thickness
    is_table = best[0] > settings.table_share * len(few) and int(is_off.sum()) > 0.02 * len(points)
    return points[is_off] if is_table else points

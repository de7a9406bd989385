"""Wall thickness of the piece."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from shared.plan import Plan, WallThickness
from shared.tolerances.resolve import ResolvedLimits, resolve_limits
from worker.judging.finding import Finding, Unmeasured, plain_finding
from worker.judging.measured import Measured
from worker.judging.seen_share import gap_text
from worker.judging.uncertainty import UNIFORM, deviation_sigma_mm
from worker.measuring.extremes import NoisyMap, greatest, least, noisy_map
from worker.records import Bools, Floats

WALL_STEP_MM = 0.01  # nominal walls nearer than this share their limits


def wall_thickness(line: WallThickness, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least wall of the piece, or with a grade the wall that leaves least room to its limits.

    The piece's wall is nominal's along the inward normal plus the deviation at both ends.  Toward a
    second region, only walls whose far end lies in it count.  Without one, only places where an
    inscribed sphere confirms a wall do, so that rims do not pass for thin walls.
    """
    thickness, deviation = measured.thickness, measured.deviation
    if thickness is None or deviation is None:
        return Unmeasured("no wall was measured")
    member = _walls(line, measured)
    if not member.any():
        return Unmeasured("nominal has no wall there")
    used = member & thickness.is_actual_measured
    if not used.any():
        return Unmeasured("the scan shows both sides of the wall nowhere", sample_mask=member)
    samples = measured.samples
    sources = deviation_sigma_mm(plan, measured.nominal, samples, measured.alignment, deviation)
    noise = sources["scan noise"]
    sigma = np.hypot(noise, noise[np.maximum(thickness.opposite_sample, 0)])
    worst = _worst(line, plan, measured, noisy_map(measured.net, deviation, (thickness.actual_mm, sigma), used))
    place, opposite = worst.place, int(thickness.opposite_sample[worst.place])
    share = float(samples.area_mm2[used].sum() / samples.area_mm2[member].sum())
    return plain_finding(
        worst.value,
        wall_budget(sources, measured.quantum_mm, (place, opposite), worst.noise),
        point_mm=samples.points_mm[place].copy(),
        details={
            "opposite_point_mm": tuple(float(part) for part in samples.points_mm[opposite]),
            "least_nominal_mm": float(thickness.ray_mm[member].min()),
            "seen_share": share,
        },
        sample_mask=member,
        gap=gap_text(share),
        nominal=float(thickness.ray_mm[place]),
        limits=worst.limits,
    )


@dataclass(frozen=True)
class _Worst:
    """Value, sample and own limits of the worst wall;  noise : standard uncertainty of the value from it."""

    value: float
    place: int
    noise: float
    limits: ResolvedLimits | None = None


def _walls(line: WallThickness, measured: Measured) -> Bools:
    thickness = measured.thickness
    if thickness is None:
        raise ValueError("no wall was measured")
    member = thickness.has_ray.copy()
    if line.region is not None:
        member &= measured.region(line.region).is_member
    if line.toward is None:
        return member & thickness.has_sphere
    far = measured.region(line.toward).is_member
    return member & (thickness.opposite_sample >= 0) & far[np.maximum(thickness.opposite_sample, 0)]


def _worst(line: WallThickness, plan: Plan, measured: Measured, walls: NoisyMap) -> _Worst:
    """The worst of the piece's walls."""
    if measured.thickness is None:
        raise ValueError("no wall was measured")
    rows = np.flatnonzero(walls.used)
    calm = walls.calm[rows]
    if line.grade is None:
        found = least(walls, walls.used)
        return _Worst(found.value, int(rows[np.argmin(calm)]), found.sigma)
    lower, upper, limits = _limits_by_place(line, plan, measured.thickness.ray_mm[rows])
    at = int(np.argmin(np.minimum(calm - lower, upper - calm)))
    is_low = calm[at] - lower[at] <= upper[at] - calm[at]
    limit = np.zeros(len(walls.calm))
    limit[rows] = lower if is_low else upper
    found = least(walls, walls.used, limit) if is_low else greatest(walls, walls.used, limit)
    return _Worst(float((lower if is_low else upper)[at] + found.value), int(rows[at]), found.sigma, limits[at])


def _limits_by_place(
    line: WallThickness, plan: Plan, nominal_mm: Floats
) -> tuple[Floats, Floats, list[ResolvedLimits]]:
    """Limits (n,) of walls whose nominal is (n,): the table is asked once for each hundredth of a millimetre."""
    steps, back = np.unique(np.round(nominal_mm / WALL_STEP_MM), return_inverse=True)
    found = [resolve_limits(line, float(step) * WALL_STEP_MM, plan) for step in steps]
    lower = np.array([np.nan if one.lower is None else one.lower for one in found])
    upper = np.array([np.nan if one.upper is None else one.upper for one in found])
    back = back.reshape(-1)
    return lower[back], upper[back], [found[index] for index in back]


def wall_budget(
    sources: Mapping[str, Floats], quantum_mm: float, ends: tuple[int, int], noise_mm: float
) -> dict[str, float]:
    """Standard uncertainties, by source, of the piece's wall between two samples.

    sources : of the deviation at every sample, (s,) each (``deviation_sigma_mm``)
    noise_mm : of the extreme, from the noise of both skins

    Noise and facets of both skins; the pose moves both alike and drops out.
    """
    both = list(ends)
    return {
        "scanner": float(sources["scanner"][ends[0]]),
        "scan noise": noise_mm,
        "facets of nominal": float(np.linalg.norm(sources["facets of nominal"][both])),
        "file resolution": float(np.sqrt(2) * UNIFORM * quantum_mm),
    }

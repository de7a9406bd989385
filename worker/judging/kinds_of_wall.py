"""Wall thickness of the piece."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from shared.plan import Plan, WallThickness
from shared.tolerances.resolve import ResolvedLimits, resolve_limits
from worker.judging.finding import Finding, Unmeasured, plain_finding
from worker.judging.measured import Measured
from worker.judging.seen_share import gap_text
from worker.judging.uncertainty import UNIFORM, deviation_sigma_mm
from worker.measuring.statistics import EXTREME_SAMPLES, robust_extremes
from worker.records import Bools, Floats

CALMED = 0.75  # of a sample's noise: averaged with its neighbours 0.5, the least of many picked (simulated pieces)
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
    calm = measured.net.smooth(thickness.actual_mm, used)
    value, place, limits = _worst(line, plan, measured, (used, calm))
    opposite = int(thickness.opposite_sample[place])
    sources = deviation_sigma_mm(plan, measured.nominal, samples, measured.alignment, deviation)
    share = float(samples.area_mm2[used].sum() / samples.area_mm2[member].sum())
    return plain_finding(
        value,
        wall_budget(sources, measured.quantum_mm, place, opposite),
        point_mm=samples.points_mm[place].copy(),
        details={
            "opposite_point_mm": tuple(float(part) for part in samples.points_mm[opposite]),
            "least_nominal_mm": float(thickness.ray_mm[member].min()),
            "seen_share": share,
        },
        sample_mask=member,
        gap=gap_text(share),
        nominal=float(thickness.ray_mm[place]),
        limits=limits,
    )


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


def _worst(
    line: WallThickness, plan: Plan, measured: Measured, walls: tuple[Bools, Floats]
) -> tuple[float, int, ResolvedLimits | None]:
    """Value, sample and own limits of the worst wall; walls : (used, calmed wall), (s,) each."""
    used, calm = walls
    thickness, samples = measured.thickness, measured.samples
    if thickness is None:
        raise ValueError("no wall was measured")
    rows = np.flatnonzero(used)
    area, extent = samples.area_mm2[rows], EXTREME_SAMPLES * samples.spacing_mm**2
    if line.grade is None:
        least, _ = robust_extremes(calm[rows], area, extent)
        return least, int(rows[np.argmin(calm[rows])]), None
    lower, upper, limits = _limits_by_place(line, plan, thickness.ray_mm[rows])
    room = np.minimum(calm[rows] - lower, upper - calm[rows])
    at = int(np.argmin(room))
    least_room, _ = robust_extremes(room, area, extent)
    is_low = calm[rows[at]] - lower[at] <= upper[at] - calm[rows[at]]
    value = lower[at] + least_room if is_low else upper[at] - least_room
    return float(value), int(rows[at]), limits[at]


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


def wall_budget(sources: Mapping[str, Floats], quantum_mm: float, near: int, far: int) -> dict[str, float]:
    """Standard uncertainties, by source, of the piece's wall between two samples.

    sources : of the deviation at every sample, (s,) each (``deviation_sigma_mm``)

    Noise and facets of both skins; the pose moves both alike and drops out.
    """
    both = [near, far]
    return {
        "scanner": float(sources["scanner"][near]),
        "scan noise": CALMED * float(np.linalg.norm(sources["scan noise"][both])),
        "facets of nominal": float(np.linalg.norm(sources["facets of nominal"][both])),
        "file resolution": float(np.sqrt(2) * UNIFORM * quantum_mm),
    }

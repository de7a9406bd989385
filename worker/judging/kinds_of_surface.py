"""Characteristics read from the maps: profile of a surface and wall thickness."""

from __future__ import annotations

import numpy as np

from shared.plan import Plan, SurfaceProfile, WallThickness
from worker.judging.finding import Finding, Unmeasured
from worker.judging.measured import Measured
from worker.judging.uncertainty import UNIFORM, deviation_sigma_mm
from worker.measuring.statistics import EXTREME_SAMPLES, robust_extremes
from worker.records import Bools, Floats

CONFORM_SHARE = 0.9  # a surface of which more is unseen cannot be shown to conform; common practice, no source


def surface_profile(line: SurfaceProfile, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Width of the zone, grown about its own middle, that holds the surface: 2 max |d - m|, m = u - t / 2.

    (ASME Y14.5.1-2019; u is the part of the zone outside material.)  The extremes are those of
    samples averaged with their neighbours, over the area of four samples: narrower is noise.
    """
    deviation, samples = measured.deviation, measured.samples
    if deviation is None:
        return Unmeasured("no deviation was measured")
    member = _members(line.region, measured)
    used = member & deviation.is_measured
    share = _share(samples.area_mm2, used, member)
    if not used.any():
        return Unmeasured("the scan shows nothing of it", sample_mask=member)
    calm = measured.net.smooth(deviation.distance_mm, deviation.is_measured)
    area = EXTREME_SAMPLES * samples.spacing_mm**2
    low, high = robust_extremes(calm[used], samples.area_mm2[used], area)
    middle = (line.zone / 2 if line.outside is None else line.outside) - line.zone / 2
    is_high = abs(high - middle) >= abs(low - middle)
    rows = np.flatnonzero(used)
    place = int(rows[np.argmax(calm[rows]) if is_high else np.argmin(calm[rows])])
    sources = deviation_sigma_mm(plan, measured.nominal, samples, measured.alignment, deviation)
    return Finding(
        value=2 * max(abs(low - middle), abs(high - middle)),
        nominal=0.0,
        budget={name: 2 * float(sigma[place]) for name, sigma in sources.items()}
        | {
            "frame": 2 * measured.frame_sigma_mm(samples.points_mm[place], samples.normals[place]),
            "file resolution": 2 * UNIFORM * measured.quantum_mm,
        },
        point_mm=samples.points_mm[place].copy(),
        details={
            "least_deviation_mm": low,
            "largest_deviation_mm": high,
            "zone_middle_mm": middle,
            "seen_share": share,
        },
        sample_mask=member,
        gap=_gap(share),
    )


def wall_thickness(line: WallThickness, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least wall of the piece: nominal's along the inward normal plus the deviation at both ends.

    Toward a second region, only walls whose far end lies in it count.  Without one, only places
    where an inscribed sphere confirms a wall do, so that rims do not pass for thin walls.
    """
    thickness, deviation, samples = measured.thickness, measured.deviation, measured.samples
    if thickness is None or deviation is None:
        return Unmeasured("no wall was measured")
    member = _members(line.region, measured) & thickness.has_ray
    if line.toward is None:
        member &= thickness.has_sphere
    else:
        far = measured.region(line.toward).is_member
        member &= (thickness.opposite_sample >= 0) & far[np.maximum(thickness.opposite_sample, 0)]
    if not member.any():
        return Unmeasured("nominal has no wall there")
    used = member & thickness.is_actual_measured
    if not used.any():
        return Unmeasured("the scan shows both sides of the wall nowhere", sample_mask=member)
    share = _share(samples.area_mm2, used, member)
    calm = measured.net.smooth(thickness.actual_mm, used)
    least, _ = robust_extremes(calm[used], samples.area_mm2[used], EXTREME_SAMPLES * samples.spacing_mm**2)
    rows = np.flatnonzero(used)
    place = int(rows[np.argmin(calm[rows])])
    opposite = int(thickness.opposite_sample[place])
    return Finding(
        value=least,
        nominal=float(thickness.ray_mm[place]),
        budget=_wall_budget(plan, measured, place, opposite),
        point_mm=samples.points_mm[place].copy(),
        details={
            "opposite_point_mm": tuple(float(part) for part in samples.points_mm[opposite]),
            "least_nominal_mm": float(thickness.ray_mm[member].min()),
            "seen_share": share,
        },
        sample_mask=member,
        gap=_gap(share),
    )


def wall_sigma_mm(plan: Plan, measured: Measured, near: int, far: int) -> float:
    """Standard uncertainty of the piece's wall between two samples."""
    return float(np.sqrt(sum(value**2 for value in _wall_budget(plan, measured, near, far).values())))


def _wall_budget(plan: Plan, measured: Measured, near: int, far: int) -> dict[str, float]:
    """Noise and facets of both skins; the pose moves both alike and drops out."""
    deviation = measured.deviation
    if deviation is None:
        return {}
    sources = deviation_sigma_mm(plan, measured.nominal, measured.samples, measured.alignment, deviation)
    both = [near, far]
    return {
        "scanner": float(sources["scanner"][near]),
        "scan noise": float(np.linalg.norm(sources["scan noise"][both])),
        "facets of nominal": float(np.linalg.norm(sources["facets of nominal"][both])),
        "file resolution": float(np.sqrt(2) * UNIFORM * measured.quantum_mm),
    }


def _members(name: str | None, measured: Measured) -> Bools:
    if name is None:
        return np.ones(len(measured.samples.face), dtype=bool)
    return measured.region(name).is_member.copy()


def _share(area_mm2: Floats, used: Bools, member: Bools) -> float:
    return float(area_mm2[used].sum() / area_mm2[member].sum())


def _gap(share: float) -> str | None:
    return (
        None if share >= CONFORM_SHARE else f"only {share:.0%} of it was seen, {CONFORM_SHARE:.0%} are needed to pass"
    )

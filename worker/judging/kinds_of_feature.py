"""Characteristics of features: displaced cores, holes, shrink."""

from __future__ import annotations

import numpy as np

from shared.plan import CoreDisplacement, HoleDiameter, HolePosition, PieceKind, Plan, ShrinkAxis, ShrinkCharacteristic
from worker.judging.finding import Finding, Unmeasured
from worker.judging.measured import Measured
from worker.judging.uncertainty import UNIFORM, scanner_sigma_mm
from worker.measuring.displacement import Displacement, against, region_displacement
from worker.measuring.holes import MeasuredHole, find_hole, measure_hole
from worker.measuring.seen import NotMeasured
from worker.measuring.shrink import summarise
from worker.records import Floats, Region

AXES = {ShrinkAxis.X: 0, ShrinkAxis.Y: 1, ShrinkAxis.Z: 2, ShrinkAxis.OVERALL: None}


def core_displacement(line: CoreDisplacement, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Length of the shift of the region's middle against the rest of the piece, cores left out of it."""
    region = measured.region(line.region)
    own = region_displacement(region, measured.seen, shrink_removed=line.shrink_removed)
    rest = _rest(region, measured)
    if isinstance(own, NotMeasured):
        return Unmeasured(own.reason, sample_mask=region.is_member)
    if isinstance(rest, NotMeasured):
        return Unmeasured(rest.reason, sample_mask=region.is_member)
    found = against(own, rest)
    shift = found.shift_mm
    unseen = [motion for motion in found.free_text if motion.startswith("slides")]
    return Finding(
        value=float(np.linalg.norm(shift)),
        nominal=0.0,
        budget={
            "fit and roughness": _sigma_along(found.covariance[3:, 3:], shift),
            "shrink": _shrink_sigma(measured, found.centre_mm, shift) if line.shrink_removed else 0.0,
            "scanner": scanner_sigma_mm(plan),
            "file resolution": UNIFORM * measured.quantum_mm,
        },
        point_mm=found.centre_mm,
        details={
            "displacement_mm": _row(shift),
            "displacement_in_pose_mm": _row(own.shift_mm),
            "rotation_rad": _row(found.rotation_rad),
            "free_motions": "; ".join(found.free_text) or None,
            "scatter_mm": found.sigma_mm,
            "point_count": float(found.point_count),
        },
        sample_mask=region.is_member,
        gap=f"the scan of it does not show whether it {' or '.join(unseen)}" if unseen else None,
    )


def _rest(region: Region, measured: Measured) -> Displacement | NotMeasured:
    """The surface outside all cores; outside the region itself where that is no core."""
    if region.source == "core":
        return measured.body
    rest = Region("the rest of the piece", "rest", ~region.is_member)
    return region_displacement(rest, measured.seen, shrink_removed=True)


def hole_position(line: HolePosition, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Twice the larger offset of the axis at both ends of the hole's depth (ISO 1101, ISO 5458).

    Against the surface outside all cores where the plan names cores: a displaced core must not move the holes.
    """
    found = _hole(line, measured, shrink_removed=line.shrink_removed)
    if isinstance(found, Unmeasured):
        return found
    frames = [measured.frame_at(end) for end in found.nominal.ends_mm]
    across = np.eye(3) - np.outer(found.nominal.axis, found.nominal.axis)
    offsets = found.offset_mm - np.stack([shift for shift, _ in frames]) @ across
    lengths = np.linalg.norm(offsets, axis=1)
    end = int(np.argmax(lengths))
    offset, place = offsets[end], found.nominal.ends_mm[end]
    budget = {
        "fit and roughness": _sigma_along(found.offset_covariance[end], offset),
        "alignment": _sigma_along(across @ frames[end][1] @ across, offset),
        "shrink": _shrink_sigma(measured, place, offset) if line.shrink_removed else 0.0,
        "scanner": scanner_sigma_mm(plan),
        "file resolution": UNIFORM * measured.quantum_mm,
    }
    return Finding(
        value=2 * float(lengths[end]),
        nominal=0.0,
        budget={name: 2 * value for name, value in budget.items()},
        point_mm=place,
        details={
            "offset_at_start_mm": _row(offsets[0]),
            "offset_at_end_mm": _row(offsets[1]),
            "start_mm": _row(found.nominal.ends_mm[0]),
            "end_mm": _row(found.nominal.ends_mm[1]),
            "frame_from_pose_mm": _row(frames[end][0]),
            **_hole_details(found),
        },
        sample_mask=np.isin(measured.samples.face, found.nominal.faces),
    )


def hole_diameter(line: HoleDiameter, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Departure of the least-squares diameter from nominal's."""
    found = _hole(line, measured, shrink_removed=False)
    if isinstance(found, Unmeasured):
        return found
    nominal = 2 * found.nominal.radius_mm
    diameter = 2 * found.cylinder.radius_mm
    return Finding(
        value=diameter - nominal,
        nominal=0.0,
        budget={
            "fit and roughness": 2 * float(np.sqrt(max(found.cylinder.covariance[4, 4], 0.0))),
            "scanner": scanner_sigma_mm(plan),
            "file resolution": 2 * UNIFORM * measured.quantum_mm,
        },
        point_mm=found.nominal.ends_mm.mean(axis=0),
        details={"diameter_mm": diameter, "nominal_diameter_mm": nominal, **_hole_details(found)},
        sample_mask=np.isin(measured.samples.face, found.nominal.faces),
    )


def shrink(line: ShrinkCharacteristic, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Shrink of the piece, percent of its own length, counting the allowance in the pattern."""
    found = measured.alignment.shrink
    allowance = plan.piece.shrink_allowance_percent
    if allowance is None and plan.piece.kind is PieceKind.CASTING:
        return Unmeasured("the plan does not say what shrink the pattern allowed for (shrink_allowance_percent)")
    if found is None:
        return Unmeasured("the scan spans the part too little to show its size")
    implied = summarise(found, allowance or 0.0, AXES[line.axis])
    if implied is None:
        return Unmeasured(f"the scan does not span the {line.axis} axis")
    points = measured.nominal.vertices_mm
    extent = np.ptp(points, axis=0)
    axis = AXES[line.axis]
    length_mm = float(np.linalg.norm(extent)) if axis is None else float(extent[axis])
    return Finding(
        value=implied.percent,
        nominal=None,
        budget={
            "fit and roughness": implied.sigma_percent,
            "scanner": 100 * scanner_sigma_mm(plan) / length_mm,
            "file resolution": 100 * UNIFORM * measured.quantum_mm / length_mm,
        },
        details={
            "scale": found.scale if axis is None else float(found.scale_xyz[axis]),
            "allowance_percent": allowance or 0.0,
        },
    )


def _hole(line: HolePosition | HoleDiameter, measured: Measured, *, shrink_removed: bool) -> MeasuredHole | Unmeasured:
    point = None if line.point is None else np.array(line.point)
    hole = find_hole(measured.nominal, face=line.face, point_mm=point, where=f"characteristic {line.id}")
    found = measure_hole(hole, measured.seen, shrink_removed=shrink_removed)
    if isinstance(found, NotMeasured):
        mask = np.isin(measured.samples.face, hole.faces)
        return Unmeasured(found.reason, point_mm=hole.ends_mm.mean(axis=0), sample_mask=mask)
    return found


def _hole_details(found: MeasuredHole) -> dict[str, float]:
    return {
        "form_scatter_mm": found.cylinder.sigma_mm,
        "seen_arc_deg": float(np.degrees(found.arc_rad)),
        "seen_depth_share": found.depth_share,
        "point_count": float(found.cylinder.point_count),
    }


def _sigma_along(covariance: Floats, vector: Floats) -> float:
    """Standard uncertainty of a vector's length: along it, or the largest where it is lost in its own noise."""
    values = np.linalg.eigvalsh(covariance)
    largest = float(np.sqrt(max(values[-1], 0.0)))
    length = float(np.linalg.norm(vector))
    if length <= 2 * largest:
        return largest
    direction = vector / length
    return float(np.sqrt(max(float(direction @ covariance @ direction), 0.0)))


def _shrink_sigma(measured: Measured, place_mm: Floats, vector: Floats) -> float:
    """What the uncertainty of the removed scale moves at a place (3,), along a vector."""
    found = measured.alignment.shrink
    if found is None:
        return 0.0
    lever = place_mm - found.centre_mm
    variance = np.where(found.is_measured, np.diag(found.covariance_xyz), found.scale_sigma**2)
    return _sigma_along(np.diag(lever**2 * variance), vector)


def _row(vector: Floats) -> tuple[float, ...]:
    return tuple(float(part) for part in vector)

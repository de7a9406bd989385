"""Displaced cores, and shrink."""

from __future__ import annotations

import numpy as np

from shared.plan import CoreDisplacement, PieceKind, Plan, ShrinkAxis, ShrinkCharacteristic
from worker.judging.core_exhibits import core_exhibits
from worker.judging.core_shift import CoreShift, shift_of
from worker.judging.finding import Finding, Unmeasured, plain_finding, row
from worker.judging.kinds_of_size import FIT
from worker.judging.measured import Measured
from worker.judging.propagation import Departures, length_by_chance
from worker.judging.sources import RESOLUTION, SCANNER, TEMPERATURE, length_inputs
from worker.judging.uncertainty import UNIFORM, scanner_sigma_mm
from worker.measuring.shrink import summarise
from worker.records import Floats

AXES = {ShrinkAxis.X: 0, ShrinkAxis.Y: 1, ShrinkAxis.Z: 2, ShrinkAxis.OVERALL: None}


def core_displacement(line: CoreDisplacement, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Length of the shift of the region's middle, against the rest of the piece (cores left out) or a frame."""
    region = measured.region(line.region)
    shift = shift_of(line, plan, measured)
    if isinstance(shift, str):
        return Unmeasured(shift, sample_mask=region.is_member)
    found = shift.found

    def length(departures: Departures) -> Floats:
        total: Floats = np.linalg.norm(shift.shifts(departures), axis=1)
        return total + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    return Finding(
        inputs=(*shift.inputs, *length_inputs(plan, measured)),
        model=length,
        by_chance=length_by_chance(lambda departures: shift.shifts(departures)[:, None], shift.inputs),
        least=0.0,
        point_mm=found.centre_mm,
        details={
            "displacement_mm": row(found.shift_mm),
            "displacement_in_pose_mm": row(shift.in_pose.shift_mm),
            "rotation_rad": row(found.rotation_rad),
            "free_motions": "; ".join(found.free_text) or None,
            "against": shift.against,
            "scatter_mm": found.sigma_mm,
            "point_count": float(found.point_count),
        },
        sample_mask=region.is_member,
        gap=_gap(shift),
        frame=None if shift.frame is None else shift.frame.name,
        exhibits=core_exhibits(line, shift, region, plan),
    )


def _gap(shift: CoreShift) -> str | None:
    """Why the length may not pass: part of the shift is not shown."""
    unseen = [motion for motion in shift.found.free_text if motion.startswith("slides")]
    if not unseen:
        unseen = [
            f"slides along {axis}" for axis, is_shown in zip("xyz", shift.is_shown[3:], strict=True) if not is_shown
        ]
    return f"the scan of it does not show whether it {' or '.join(unseen)}" if unseen else None


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
    return plain_finding(
        implied.percent,
        {
            FIT: implied.sigma_percent,
            SCANNER: 100 * scanner_sigma_mm(plan) / length_mm,
            TEMPERATURE: 100 * measured.strain_sigma,
            RESOLUTION: 100 * UNIFORM * measured.quantum_mm / length_mm,
        },
        details={
            "scale": found.scale if axis is None else float(found.scale_xyz[axis]),
            "allowance_percent": allowance or 0.0,
        },
    )

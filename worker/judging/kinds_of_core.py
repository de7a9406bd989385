"""Displaced cores, and shrink."""

from __future__ import annotations

import numpy as np

from shared.plan import CoreDisplacement, PieceKind, Plan, ShrinkAxis, ShrinkCharacteristic
from worker.judging.finding import Finding, Unmeasured, plain_finding, row
from worker.judging.kinds_of_size import FIT
from worker.judging.measured import Measured
from worker.judging.propagation import Departures, Input, length_by_chance
from worker.judging.sources import (
    RESOLUTION,
    SCANNER,
    SHRINK,
    TEMPERATURE,
    length_inputs,
    shrink_input,
    shrink_shift,
)
from worker.judging.uncertainty import UNIFORM, scanner_sigma_mm
from worker.measuring.displacement import Displacement, against, region_displacement
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
    names = (FIT, SHRINK, SCANNER, RESOLUTION) if line.shrink_removed else (FIT, SCANNER, RESOLUTION)

    def shifts(departures: Departures) -> Floats:
        moved = shift + departures[FIT]
        if SHRINK in departures:
            moved = moved + shrink_shift(measured, np.broadcast_to(found.centre_mm, moved.shape), departures[SHRINK])
        return moved[:, None]

    def length(departures: Departures) -> Floats:
        total: Floats = np.linalg.norm(shifts(departures)[:, 0], axis=1)
        return total + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    sources = (
        Input(FIT, found.covariance[3:, 3:], found.dof),
        shrink_input(measured),
        *length_inputs(plan, measured),
    )
    inputs = tuple(entry for entry in sources if entry.name in names)
    return Finding(
        inputs=inputs,
        model=length,
        by_chance=length_by_chance(shifts, inputs),
        least=0.0,
        point_mm=found.centre_mm,
        details={
            "displacement_mm": row(shift),
            "displacement_in_pose_mm": row(own.shift_mm),
            "rotation_rad": row(found.rotation_rad),
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

"""What a displaced core shows beside the length of its shift: its six numbers, its size, and what walls owe to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from shared.plan import CoreDisplacement, Plan
from worker.exhibits import Cell, Column, Exhibits, Table
from worker.judging.core_shift import CoreShift
from worker.judging.finding import Finding, Unmeasured
from worker.judging.kinds_of_wall import wall_thickness
from worker.judging.kinds_of_walls_between import STRAIGHT, wall_between
from worker.judging.measured import Measured
from worker.judging.propagation import Departures, combined, propagate
from worker.judging.sources import RESOLUTION, SCANNER, length_inputs
from worker.judging.uncertainty import scanner_sigma_mm
from worker.measuring.displacement import region_scale
from worker.measuring.seen import NotMeasured
from worker.records import Floats, Region

WALL, DUE = "wall", "due to this shift"  # heads of columns that the first screen reads
NOT_SHOWN = "not shown by its shape"
NOT_DETERMINED = "not determined"
WALLS: Mapping[str, Callable[[Any, Plan, Measured], Finding | Unmeasured]] = {
    "wall_between": wall_between,
    "wall_thickness": wall_thickness,
}
Rows = tuple[tuple[Cell, ...], ...]


def core_exhibits(line: CoreDisplacement, shift: CoreShift, region: Region, plan: Plan) -> Exhibits:
    """Six numbers by part axes, the core's size, and the walls of the plan that its shift changes."""
    numbers = Table(
        f"How {line.region} sits against {shift.against}",
        (
            Column("along or about"),
            Column("shift", "mm", is_departure=True),
            Column("U", "mm", is_departure=True),
            Column("turn", "deg"),
            Column("U of the turn", "deg"),
            Column("known"),
        ),
        _numbers(shift, region, plan),
    )
    size = Table(
        f"Size of {line.region}",
        (Column("what"), Column("percent of nominal", "percent"), Column("U", "percent"), Column("known")),
        (_size(line, shift, region, plan),),
    )
    walls = _walls(line, shift, plan)
    if not walls:
        return Exhibits(tables=(numbers, size))
    changed = Table(
        f"Walls beside {line.region}",
        (
            Column(WALL),
            Column("change", "mm", is_departure=True),
            Column("U of the change", "mm", is_departure=True),
            Column(DUE, "mm", is_departure=True),
            Column("U", "mm", is_departure=True),
            Column("in words"),
        ),
        walls,
    )
    return Exhibits(tables=(numbers, size, changed))


def _numbers(shift: CoreShift, region: Region, plan: Plan) -> Rows:
    """One row for each part axis; a number its shape does not show is left out."""
    lengths = length_inputs(plan, shift.measured)
    rows: list[tuple[Cell, ...]] = []
    for axis, name in enumerate("xyz"):
        can_turn, can_shift = bool(shift.is_shown[axis]), bool(shift.is_shown[3 + axis])

        def along(departures: Departures, axis: int = axis) -> Floats:
            total: Floats = shift.shifts(departures)[:, axis]
            return total + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

        moved = propagate(along, (*shift.inputs, *lengths))
        turn = float(np.degrees(shift.found.rotation_rad[axis]))
        unknown = [word for word, is_known in (("shift", can_shift), ("turn", can_turn)) if not is_known]
        rows.append(
            (
                name,
                moved.value if can_shift else None,
                moved.U if can_shift else None,
                turn if can_turn else None,
                _turn_U(shift, axis, region, plan) if can_turn else None,
                f"{' and '.join(unknown)} {NOT_SHOWN}" if unknown else "yes",
            )
        )
    return tuple(rows)


def _turn_U(shift: CoreShift, axis: int, region: Region, plan: Plan) -> float:
    """U of a turn, degrees; the scanner's length error counts over the reach of the region."""
    points = shift.measured.samples.points_mm[region.is_member]
    reach = float(np.delete(np.ptp(points, axis=0), axis).max())
    parts = {
        "fit": float(np.degrees(np.sqrt(shift.covariance[axis, axis]))),
        SCANNER: float(np.degrees(scanner_sigma_mm(plan) / reach)) if reach > 0 else 0.0,
    }
    return combined(0.0, parts, {"fit": shift.found.dof}).U


def _size(line: CoreDisplacement, shift: CoreShift, region: Region, plan: Plan) -> tuple[Cell, ...]:
    """The core's size, which is the same against whatever its shift is told."""
    found = shift.measured.once(
        ("size of core", line.region, line.shrink_removed),
        lambda: region_scale(region, shift.measured.seen, shift.in_pose),
    )
    if isinstance(found, NotMeasured):
        return (region.name, None, None, f"{NOT_DETERMINED}: {found.reason}")
    points = shift.measured.samples.points_mm[region.is_member]
    reach = float(np.linalg.norm(np.ptp(points, axis=0)))
    parts = {"fit": 100 * found.sigma, SCANNER: 100 * scanner_sigma_mm(plan) / reach if reach > 0 else 0.0}
    sure = combined(100 * found.scale, parts, {"fit": found.dof})
    return (region.name, 100 * found.scale, sure.U, "yes, about its own middle, shrink left in")


def _walls(line: CoreDisplacement, shift: CoreShift, plan: Plan) -> Rows:
    return tuple(
        _wall_row(line, wall, shift, plan)
        for wall in plan.characteristics
        if wall.kind in WALLS and line.region in (getattr(wall, "region", None), getattr(wall, "toward", None))
    )


def _wall_row(line: CoreDisplacement, wall: Any, shift: CoreShift, plan: Plan) -> tuple[Cell, ...]:
    """Change of one wall, and how much of it the displacement of this core makes at the wall's place."""
    measured = shift.measured
    found = WALLS[wall.kind](wall, plan, measured)
    if isinstance(found, Unmeasured) or found.point_mm is None:
        why = found.reason if isinstance(found, Unmeasured) else "it has no place"
        return (wall.id, None, None, None, None, f"wall {wall.id}: not measured, {why}")
    whole = propagate(found.model, found.inputs)
    nominal = found.details.get("nominal_there_mm", found.nominal)
    if not isinstance(nominal, float):
        return (wall.id, None, None, None, None, f"wall {wall.id}: the CAD has no wall there")
    change = whole.value - nominal
    ends = found.point_mm, np.array(found.details["opposite_point_mm"])
    near = found.details.get("side", wall.region)
    own, other = ends if near == line.region else ends[::-1]
    along = shift.along(own, _outward(own, other, measured.region(line.region), measured))
    if not along.is_shown:
        text = f"wall {wall.id}: how much of its change this shift makes is {NOT_SHOWN}"
        return (wall.id, change, whole.U, None, None, text)
    moved = along.moved_mm
    parts = {"fit": along.sigma_mm, SCANNER: scanner_sigma_mm(plan)}
    U = combined(moved, parts, {"fit": shift.found.dof}).U
    text = f"wall {wall.id}: of its change of {change:+.3f} mm, {moved:+.3f} mm is due to this shift"
    return (wall.id, change, whole.U, moved, U, text)


def _outward(own_mm: Floats, other_mm: Floats, region: Region, measured: Measured) -> Floats:
    """Direction (3,) in which the core's surface moves when the wall grows.

    The normal of nominal at the wall's place, free of the scan's noise, where the wall lies straight
    behind the surface; along a rim the line across the wall itself.
    """
    samples = measured.samples
    rows = np.flatnonzero(region.is_member)
    nearest = rows[int(np.argmin(((samples.points_mm[rows] - own_mm) ** 2).sum(axis=1)))]
    normal, line = samples.normals[nearest], own_mm - other_mm
    length = float(np.linalg.norm(line))
    is_straight = line @ normal >= STRAIGHT * length
    return normal if is_straight or length == 0 else line / length

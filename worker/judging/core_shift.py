"""How a core sits against the rest of the piece or a frame, and what that is uncertain by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import CoreDisplacement, Plan
from worker.datums.records import MeasuringFrame, NoFrame
from worker.judging.kinds_of_size import FIT
from worker.judging.measured import SCALE_STEP, Measured
from worker.judging.propagation import Departures, Input
from worker.judging.sources import ALIGNMENT, SHRINK, TEMPERATURE, shrink_input, shrink_shift, strain_input
from worker.measuring.displacement import Displacement, against, in_frame, region_displacement, shown_numbers
from worker.measuring.seen import NotMeasured
from worker.records import Bools, Floats, Region
from worker.rigid import RigidTransform, turn_to_shift

REST = "the rest of the piece"
LEAST_SAY = 0.05  # of a unit motion: a motion left open leaves a sum known in which it has less of a say


@dataclass(frozen=True)
class Along:
    """A displacement along one direction, its standard uncertainty, and whether the core's shape shows it."""

    moved_mm: float
    sigma_mm: float
    is_shown: bool


@dataclass(frozen=True, eq=False)
class CoreShift:
    """A core's displacement against something.

    found : the displacement;  is_shown : (6,) which of its numbers (rotation, shift) are known
    covariance : (6, 6) of them all, of the core's fit and of what it is measured against
    inputs : of the shift;  against : what it is measured against, in words
    in_pose : the core's displacement in the pose, against nothing
    frame, by_scale : of the frame it is measured against, and how that moves with the shrink taken out
    """

    found: Displacement
    is_shown: Bools
    covariance: Floats
    inputs: tuple[Input, ...]
    against: str
    in_pose: Displacement
    measured: Measured
    frame: MeasuringFrame | None = None
    by_scale: tuple[RigidTransform, ...] = ()

    def shifts(self, departures: Departures) -> Floats:
        """Shift (n, 3) of the core's middle under departures of the inputs."""
        centre = self.found.centre_mm
        moved = self.found.shift_mm + departures[FIT]
        if ALIGNMENT in departures and self.frame is not None:
            lever = self.frame.T_frame_pose.apply(centre) - self.frame.centre_mm
            moved = moved + departures[ALIGNMENT] + departures[TEMPERATURE] * lever
        if SHRINK in departures:
            moved = moved + shrink_shift(self.measured, np.broadcast_to(centre, moved.shape), departures[SHRINK])
            for step, scale in zip(self.by_scale, departures[SHRINK].T, strict=False):
                moved = moved + np.outer(scale / SCALE_STEP, step.apply(centre) - centre)
        return moved

    def along(self, point_mm: Floats, direction: Floats) -> Along:
        """How far the displacement takes a point (3,) of the core along a unit direction (3,).

        Motions that the core's shape leaves open do not move its surface along its normal.
        """
        lever = point_mm - self.found.centre_mm
        row = np.r_[np.cross(lever, direction), direction]
        left_open = row @ (np.eye(6) - self.found.shown)
        left_open[:3] /= max(float(np.linalg.norm(lever)), 1.0)
        return Along(
            moved_mm=float(row @ np.r_[self.found.rotation_rad, self.found.shift_mm]),
            sigma_mm=float(np.sqrt(max(float(row @ self.covariance @ row), 0.0))),
            is_shown=float(np.linalg.norm(left_open)) <= LEAST_SAY,
        )


def shift_of(line: CoreDisplacement, plan: Plan, measured: Measured) -> CoreShift | str:
    """The core's displacement against what the line says; a text where it cannot be measured, and why."""
    region = measured.region(line.region)
    own = measured.once(
        ("core in the pose", line.region, line.shrink_removed),
        lambda: region_displacement(region, measured.seen, shrink_removed=line.shrink_removed),
    )
    if isinstance(own, NotMeasured):
        return own.reason
    shrinks = (shrink_input(measured),) if line.shrink_removed else ()
    if line.frame is None:
        return _against_rest(region, own, shrinks, measured)
    frame = measured.frame(line.frame, plan, shrink_removed=line.shrink_removed)
    if isinstance(frame, NoFrame):
        return frame.reason
    by_scale = measured.frame_by_scale(line.frame, plan) if line.shrink_removed else ()
    return _against_frame(own, frame, shrinks, by_scale, measured)


def _against_rest(region: Region, own: Displacement, shrinks: tuple[Input, ...], measured: Measured) -> CoreShift | str:
    """The surface outside all cores; outside the region itself where that is no core."""
    if region.source == "core":
        rest = measured.body
    else:
        others = Region(REST, "rest", ~region.is_member)
        rest = measured.once(
            ("rest in the pose", region.name),
            lambda: region_displacement(others, measured.seen, shrink_removed=True),
        )
    if isinstance(rest, NotMeasured):
        return rest.reason
    found = against(own, rest)
    fit = Input(FIT, found.covariance[3:, 3:], found.dof)
    return CoreShift(found, shown_numbers(own, rest), found.covariance, (fit, *shrinks), REST, own, measured)


def _against_frame(
    own: Displacement,
    frame: MeasuringFrame,
    shrinks: tuple[Input, ...],
    by_scale: tuple[RigidTransform, ...],
    measured: Measured,
) -> CoreShift:
    """Nominal where the frame puts it; the frame's own uncertainty is an input of its own."""
    found = in_frame(own, frame.T_frame_pose)
    spread = np.eye(6)
    spread[3:, :3] = turn_to_shift(own.centre_mm - frame.centre_mm)
    carried = own.shown @ spread @ frame.covariance @ spread.T @ own.shown.T
    inputs = (
        Input(FIT, own.covariance[3:, 3:], own.dof),
        Input(ALIGNMENT, carried[3:, 3:], frame.dof),
        strain_input(measured),
        *shrinks,
    )
    return CoreShift(
        found=found,
        is_shown=shown_numbers(own),
        covariance=own.covariance + carried,
        inputs=inputs,
        against=f"frame {frame.name}",
        in_pose=own,
        measured=measured,
        frame=frame,
        by_scale=by_scale,
    )

"""Moves as arrows in the part: where each is, and which way it goes.

Moves are tenths of a millimetre, too short to be drawn; arrows tell place and direction, words the amount.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from shared.errors import PlanInvalid
from shared.plan import FeaturePick, Plan
from worker.exhibits import Mark
from worker.features.skin import across
from worker.judging.measured import Measured
from worker.records import Bools, Floats
from worker.rigid import RigidTransform
from worker.whatif.motions import Offset
from worker.whatif.parts import Part, Step, Taking, diameter_offset, feature_of, part_of
from worker.whatif.records import DIAMETER, Asked

LENGTH_SHARE = 0.12  # of the part's size
HEAD_SHARE = 0.25  # of the arrow's length
ARC_RAD, ARC_STEPS = np.radians(70.0), 12  # an arc this long reads as a turn
LEAST_TURN_RAD = 1e-9


@dataclass(frozen=True, eq=False)
class Grip:
    """Where a move takes hold: places (n, 3) of the part in the piece's axes, outward normals there or None."""

    places_mm: Floats
    normals: Floats | None
    size_mm: float

    @property
    def middle_row(self) -> int:
        """The place nearest the middle of all."""
        return int(((self.places_mm - self.places_mm.mean(axis=0)) ** 2).sum(axis=1).argmin())


def grip_of(part: Part, measured: Measured) -> Grip:
    """Where a part is taken hold of."""
    size = float(np.linalg.norm(np.ptp(measured.nominal.vertices_mm, axis=0)))
    if part.is_body:
        body = next(body for body in measured.bodies if body.name == part.name)
        return Grip(part.T_piece_body.apply(body.vertices_mm), None, size)
    own = part.is_sample
    return Grip(measured.samples.points_mm[own], measured.samples.normals[own], size)


def step_marks(steps: Sequence[Step], words: Sequence[str], measured: Measured) -> tuple[Mark, ...]:
    """An arrow for each step that moves anything; words : of each."""
    marks = [_step_mark(step, label, measured) for step, label in zip(steps, words, strict=True)]
    return tuple(mark for mark in marks if mark is not None)


def parts_mask(steps: Sequence[Step], measured: Measured) -> Bools:
    """Samples (s,) of everything that moves."""
    mask = np.zeros(len(measured.samples.face), dtype=bool)
    for step in steps:
        if not step.part.is_body:
            mask |= step.part.is_sample
    return mask


def with_marks(asked: Sequence[Asked], plan_mm: Plan, measured: Measured) -> tuple[Asked, ...]:
    """Moves to ask for with their place in the part, where what moves is a region, a feature or a body."""
    return tuple(_marked(one, plan_mm, measured) for one in asked)


def _marked(one: Asked, plan_mm: Plan, measured: Measured) -> Asked:
    part = _part_named(one.what, plan_mm, measured)
    if part is None:
        return one
    grip = grip_of(part, measured)
    if one.shift_mm is not None and np.any(one.shift_mm):
        arrow = _shift_arrow(grip, one.shift_mm)
    elif one.turn_rad is not None and np.any(one.turn_rad):
        arrow = _turn_arrow(grip, one.turn_rad, grip.places_mm.mean(axis=0) if one.pivot_mm is None else one.pivot_mm)
    elif one.size_mm:
        is_round = one.size_words == DIAMETER
        out = (
            diameter_offset(one.size_mm, feature_of(part, measured), part.name).distance_mm if is_round else one.size_mm
        )
        arrow = _offset_arrow(grip, out)
    else:
        return one
    return replace(one, arrow_mm=arrow, sample_mask=None if part.is_body else part.is_sample)


def _part_named(name: str, plan_mm: Plan, measured: Measured) -> Part | None:
    """The region, feature or placed body of that name, whichever there is; None where it has no place."""
    nothing = np.zeros(len(measured.nominal.triangles), dtype=bool)
    number = np.zeros(len(measured.samples.face), dtype=np.int64)
    for region in measured.regions:
        if region.name == name:
            return Part(name, "region", nothing, region.is_member, np.zeros_like(region.is_member), number)
    try:
        if any(feature.id == name for feature in measured.features):
            return part_of(Taking(feature=FeaturePick(id=name)), plan_mm, measured, name)
        placed = next((entry for entry in plan_mm.mock_up if name in {entry.name, entry.body}), None)
        return None if placed is None else part_of(Taking(body=placed.name), plan_mm, measured, name)
    except PlanInvalid:  # the part it would sit on was not measured
        return None


def _step_mark(step: Step, label: str, measured: Measured) -> Mark | None:
    grip, motion = grip_of(step.part, measured), step.motion
    if isinstance(motion, Offset):
        return Mark(label, _offset_arrow(grip, motion.distance_mm)) if motion.distance_mm else None
    if motion.angle_rad() > LEAST_TURN_RAD:
        turn, pivot = _axis_of(motion, grip)
        return Mark(label, _turn_arrow(grip, turn, pivot))
    return Mark(label, _shift_arrow(grip, motion.translation_mm)) if motion.translation_mm.any() else None


def _axis_of(motion: RigidTransform, grip: Grip) -> tuple[Floats, Floats]:
    """Rotation vector and a point of the axis nearest the part's middle; what goes along the axis is left out."""
    turn = Rotation.from_matrix(motion.rotation).as_rotvec()
    unit = turn / np.linalg.norm(turn)
    middle = grip.places_mm.mean(axis=0)
    gone = motion.apply(middle) - middle
    gone -= (gone @ unit) * unit
    half = np.tan(motion.angle_rad() / 2)
    return turn, middle + gone / 2 + np.cross(unit, gone) / (2 * half)


def _shift_arrow(grip: Grip, shift_mm: Floats) -> Floats:
    """From the middle of the part along the shift."""
    start = grip.places_mm[grip.middle_row]
    unit = shift_mm / np.linalg.norm(shift_mm)
    return _headed(np.stack([start, start + LENGTH_SHARE * grip.size_mm * unit]))


def _offset_arrow(grip: Grip, offset_mm: float) -> Floats:
    """Along the normal of the place nearest the middle, outward for more material."""
    if grip.normals is None:
        raise ValueError("a body has no wall to offset")
    return _shift_arrow(grip, float(np.sign(offset_mm)) * grip.normals[grip.middle_row])


def _turn_arrow(grip: Grip, turn_rad: Floats, pivot_mm: Floats) -> Floats:
    """An arc about the axis, as far out as an arrow is long."""
    unit = turn_rad / np.linalg.norm(turn_rad)
    one, other = across(unit)
    angles = np.linspace(0.0, ARC_RAD, ARC_STEPS)[:, None]
    radius = LENGTH_SHARE * grip.size_mm
    return _headed(pivot_mm + radius * (np.cos(angles) * one + np.sin(angles) * other))


def _headed(line_mm: Floats) -> Floats:
    """A line (n, 3) with an arrowhead at its end, as one line."""
    tip, way = line_mm[-1], line_mm[-1] - line_mm[-2]
    length = HEAD_SHARE * float(np.linalg.norm(np.diff(line_mm, axis=0), axis=1).sum())
    unit = way / np.linalg.norm(way)
    barbs = [tip + length * (-unit + sign * 0.4 * side) for side in across(unit) for sign in (-1.0, 1.0)]
    return np.stack([*line_mm, *(point for barb in barbs for point in (barb, tip))])

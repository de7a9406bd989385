"""Bought-in parts on the piece: where the drawing puts them, and where the piece as measured does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from shared.errors import PlanInvalid
from shared.plan import FeaturePick, Mate, PartElementKind, Place, Placed, Plan, Transform
from worker.features.records import Feature, FeatureKind
from worker.fitting.records import Association
from worker.judging.finding import Unmeasured
from worker.judging.measured import Measured
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.seen import NotMeasured
from worker.mockup.meshes import Mesh, mesh_of
from worker.mockup.placing import HolesStep, MateStep, NotPlaced, PieceElement, Solved, Step, place, sensitivities
from worker.records import Body, Floats
from worker.rigid import RigidTransform

AXES = (FeatureKind.HOLE, FeatureKind.BOSS, FeatureKind.CONE)


@dataclass(frozen=True, eq=False)
class PartAt:
    """A part where it sits.

    T_drawn, T_actual : from the part's own frame to the nominal frame, by nominal features and by measured ones
    ways : by id of feature (6, 6), how the part's motion (rotation_rad, shift_mm of the frame's origin) follows the
        feature's shift and turn;  found : those features as measured
    off_mm : by feature, how far its mate was left off; tilt_rad : and at what angle
    """

    placed: Placed
    mesh: Mesh
    T_drawn: RigidTransform
    T_actual: RigidTransform
    ways: Mapping[str, Floats]
    found: Mapping[str, MeasuredFeature]
    off_mm: Mapping[str, float]
    tilt_rad: Mapping[str, float]

    @property
    def is_on_piece(self) -> bool:
        """Placed by features of the piece, so that it moves with them."""
        return bool(self.found)


@dataclass(frozen=True, eq=False)
class _Task:
    """What a place asks to be solved: steps that point at features by number, and those features."""

    steps: tuple[Step, ...]
    features: tuple[Feature, ...]


def placed_part(name: str, plan: Plan) -> Placed:
    """The placed part of that name; the plan knows that it is there."""
    return next(entry for entry in plan.mock_up if entry.name == name)


def drawn_at(name: str, plan: Plan, measured: Measured) -> tuple[Mesh, RigidTransform]:
    """The part and where nominal puts it.

    Raises
    ------
    PlanInvalid
        If the revision has no such body, a feature does not fit its mate, or a motion is left open.

    """
    mesh, _, placed = _drawn(placed_part(name, plan), measured)
    return mesh, placed


def part_at(name: str, plan: Plan, measured: Measured) -> PartAt | Unmeasured:
    """The part where the drawing and where the piece puts it; the reason where a feature it sits on is not measured.

    Planes are the touching ones, for a part rests on the highest places; axes are by least squares.
    """
    entry = placed_part(name, plan)
    return measured.once(("mock up", entry), lambda: _part_at(entry, measured))


def _part_at(entry: Placed, measured: Measured) -> PartAt | Unmeasured:
    mesh, task, drawn = _drawn(entry, measured)
    if task is None:
        return PartAt(entry, mesh, drawn, drawn, {}, {}, {}, {})
    found: dict[str, MeasuredFeature] = {}
    for feature in task.features:
        way = Association.TANGENT if feature.kind is FeatureKind.PLANE else Association.LEAST_SQUARES
        one = measured.measured_feature(feature, way)
        if isinstance(one, NotMeasured):
            return Unmeasured(f"{entry.name} cannot be placed on the piece: {one.reason}", point_mm=feature.point_mm)
        found[feature.id] = one
    elements = [_measured_element(found[feature.id]) for feature in task.features]
    solved = place(task.steps, elements, mesh.vertices_mm, drawn)
    if isinstance(solved, NotPlaced):
        return Unmeasured(f"{entry.name} cannot be placed on the piece: it {' and '.join(solved.open_words)}")
    ways = sensitivities(task.steps, elements, mesh.vertices_mm, solved)
    off, tilt = _left_off(task, solved)
    by_feature = {feature.id: way for feature, way in zip(task.features, ways, strict=True)}
    return PartAt(entry, mesh, drawn, solved.T_piece_part, by_feature, found, off, tilt)


def _left_off(task: _Task, solved: Solved) -> tuple[dict[str, float], dict[str, float]]:
    off: dict[str, float] = {}
    tilt: dict[str, float] = {}
    for step, left_mm, left_rad in zip(task.steps, solved.off_mm, solved.tilt_rad, strict=True):
        numbers = step.elements if isinstance(step, HolesStep) else np.array([step.element])
        for number, length in zip(numbers, left_mm, strict=True):
            name = task.features[int(number)].id
            off[name] = max(off.get(name, 0.0), float(length))
            tilt[name] = max(tilt.get(name, 0.0), left_rad)
    return off, tilt


def _drawn(entry: Placed, measured: Measured) -> tuple[Mesh, _Task | None, RigidTransform]:
    """Mesh, what to solve, and where nominal puts it."""
    return measured.once(("mock up drawn", entry), lambda: _draw(entry, measured))


def _draw(entry: Placed, measured: Measured) -> tuple[Mesh, _Task | None, RigidTransform]:
    where = f"mock_up {entry.name}"
    body = _body(entry, measured, where)
    mesh = measured.once(("mock up body", body.name), lambda: mesh_of(body.vertices_mm, body.triangles))
    if mesh is None:
        raise unplaceable(where, f"body '{body.name}' has no surface", "Send the part as a solid.")
    if entry.place.transform is not None:
        return mesh, None, _by_figures(entry.place.transform)
    task = _task(entry.place, measured, where)
    elements = [_nominal_element(feature) for feature in task.features]
    solved = place(task.steps, elements, mesh.vertices_mm)
    if isinstance(solved, NotPlaced):
        raise unplaceable(
            where, f"the part is not held: it {' and '.join(solved.open_words)}", "Add a mate that holds it there."
        )
    return mesh, task, solved.T_piece_part


def _body(entry: Placed, measured: Measured, where: str) -> Body:
    for body in measured.bodies:
        if body.name == entry.body:
            return body
    known = ", ".join(sorted(body.name for body in measured.bodies)) or "none was given"
    raise unplaceable(where, f"no part of the revision is named '{entry.body}' (known: {known})", "Name one of them.")


def _by_figures(given: Transform) -> RigidTransform:
    turn = np.zeros(3)
    if given.rotation_axis is not None and given.rotation_degrees is not None:
        axis = np.array(given.rotation_axis)
        turn = np.radians(given.rotation_degrees) * axis / np.linalg.norm(axis)
    return RigidTransform.from_rotation_vector(turn, np.array(given.translation))


def _task(given: Place, measured: Measured, where: str) -> _Task:
    features: list[Feature] = []

    def number(pick: FeaturePick, kind: PartElementKind) -> int:
        feature = measured.feature(pick, where)
        allowed = (FeatureKind.PLANE,) if kind is PartElementKind.PLANE else AXES
        if feature.kind not in allowed:
            what = "a plane" if kind is PartElementKind.PLANE else "a hole, boss or cone"
            raise unplaceable(where, f"{feature.id} is no match for a {kind.value} of the part", f"Pick {what}.")
        known = [one.id for one in features]
        if feature.id not in known:
            features.append(feature)
            return len(known)
        return known.index(feature.id)

    mates = given.mates or (() if given.seat is None else (given.seat,))
    steps: list[Step] = [_mate(mate, number(mate.piece, mate.part.kind)) for mate in mates]
    if given.holes is not None:
        indices = np.array([number(pair.feature, PartElementKind.AXIS) for pair in given.holes])
        steps.append(HolesStep(np.array([pair.part_point for pair in given.holes]), indices))
    return _Task(tuple(steps), tuple(features))


def _mate(mate: Mate, element: int) -> MateStep:
    direction = np.array(mate.part.direction)
    return MateStep(np.array(mate.part.point), direction / np.linalg.norm(direction), element, mate.offset)


def _nominal_element(feature: Feature) -> PieceElement:
    if feature.direction is None:
        raise ValueError(f"{feature.id} has no direction")
    return PieceElement(feature.point_mm, feature.direction, is_plane=feature.kind is FeatureKind.PLANE)


def _measured_element(found: MeasuredFeature) -> PieceElement:
    element = found.element
    if element.direction is None:
        raise ValueError(f"{found.feature.id} has no direction")
    return PieceElement(element.point_mm, element.direction, is_plane=found.feature.kind is FeatureKind.PLANE)


def unplaceable(where: str, what: str, advice: str) -> PlanInvalid:
    """A part or a place of the mock-up that this part of the revision cannot have."""
    return PlanInvalid(f"{where}: {what}.", advice=advice, faults=[f"{where}: {what}"])

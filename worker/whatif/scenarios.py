"""Lines of the plan before and after moves, whatever their kind."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

from pydantic import BaseModel

from shared.errors import PlanInvalid
from shared.plan import FeaturePick, Move, MoveOf, Plan, Scenario, Uncertainty
from worker.judging.characteristics import judge_line
from worker.judging.measured import Measured
from worker.records import Characteristic, Verdict
from worker.whatif.amounts import length_text, shift_text
from worker.whatif.arrows import parts_mask, step_marks
from worker.whatif.moving import MovingSettings, as_nominal, moved
from worker.whatif.parts import Step, steps_of
from worker.whatif.records import Row, Tried
from worker.whatif.touching import is_untouched

PICKING = ("datums", "characteristics", "mock_up", "what_if", "solve")  # parts of a plan that pick features
READS_WALLS = "wall_thickness"  # the one kind that reads walls along normals, which are measured anew for it alone
LEAST_CHANGE = 1e-9  # of a line's value or nominal: rounding of float64 over a metre is 1e-13
ModelT = TypeVar("ModelT", bound=BaseModel)


@dataclass(frozen=True, eq=False)
class Stand:
    """The piece as it stands, and what its lines come to.

    plan_mm : lengths in mm; lines pick their features by id, which a moved feature keeps
    before : by line id, as judged on the piece
    """

    plan_mm: Plan
    measured: Measured
    before: Mapping[str, Characteristic]
    seed: int = 0
    thread_count: int = 0
    _nominal: dict[str, float | None] = field(default_factory=dict, init=False, repr=False)

    @classmethod
    def of(
        cls,
        plan_mm: Plan,
        measured: Measured,
        judged: Iterable[Characteristic],
        *,
        seed: int = 0,
        thread_count: int = 0,
    ) -> Stand:
        """Make ready.

        Raises
        ------
        PlanInvalid
            If the plan picks what nominal does not have.

        """
        before = {line.id: line for line in judged}
        plan_mm, measured = with_own_bodies(picked_by_id(plan_mm, measured), measured)
        return cls(plan_mm, measured, before, seed, thread_count)

    @cached_property
    def _perfect(self) -> Measured:
        return as_nominal(self.measured, MovingSettings(with_thickness=False, thread_count=self.thread_count))

    @cached_property
    def _perfect_with_walls(self) -> Measured:
        return as_nominal(self.measured, MovingSettings(thread_count=self.thread_count))

    def perfect(self, names: Sequence[str]) -> Measured:
        """The perfect piece, with what these lines read."""
        return self._perfect_with_walls if self._settings(names).with_thickness else self._perfect

    def line(self, name: str) -> Any:
        """The line of that id."""
        return next(line for line in self.plan_mm.characteristics if line.id == name)

    def moved(self, names: Sequence[str], steps: Sequence[Step]) -> Measured:
        """The piece after a move, with what these lines read."""
        return moved(self.measured, steps, self._settings(names))

    def after(self, names: Sequence[str], steps: Sequence[Step]) -> dict[str, Characteristic]:
        """Lines judged on the piece after a move."""
        going = [name for name in names if not self._stays(name, steps)]
        piece = self.moved(going, steps)
        return {name: self._after(name, piece) if name in going else self.before[name] for name in names}

    def _stays(self, name: str, steps: Sequence[Step]) -> bool:
        return is_untouched(self.line(name), self.plan_mm, self.measured, steps)

    def _after(self, name: str, piece: Measured) -> Characteristic:
        """A line after a move; not measured where the move leaves it nothing to speak of."""
        try:
            return judge_line(self.line(name), self.plan_mm, piece, seed=self.seed)
        except PlanInvalid as error:
            before = self.before[name]
            return replace(before, measured=None, U=None, verdict=Verdict.NOT_MEASURED, reason=error.message)

    def nominal(self, name: str) -> float | None:
        """The line's figure on the perfect piece; what it states as nominal where that has none."""
        if name not in self._nominal:
            found = nominal_figure(self.line(name), self.plan_mm, self.perfect([name]))
            self._nominal[name] = self.before[name].nominal if found is None else found
        return self._nominal[name]

    def nominal_after(self, names: Sequence[str], steps: Sequence[Step]) -> dict[str, float | None]:
        """The figures on the perfect piece after a move of the design; a move of the piece leaves them."""
        design = [step for step in steps if step.of is MoveOf.DESIGN]
        if not design:
            return {name: self.nominal(name) for name in names}
        going = [name for name in names if not self._stays(name, design)]
        perfect = moved(self.perfect(going), design, self._settings(going))
        figures = {name: nominal_figure(self.line(name), self.plan_mm, perfect) for name in going}
        return {name: figures[name] if name in figures else self.nominal(name) for name in names}

    def _settings(self, names: Sequence[str]) -> MovingSettings:
        needs = any(self.line(name).kind == READS_WALLS for name in names)
        return MovingSettings(with_thickness=needs, thread_count=self.thread_count)


def try_scenario(scenario: Scenario, stand: Stand) -> Tried:
    """The lines the scenario names, or else every line that the moves touch, before and after.

    Raises
    ------
    PlanInvalid
        If a move names what the piece does not have.

    """
    steps = steps_of(scenario, stand.plan_mm, stand.measured)
    words = tuple(move_words(move, step) for move, step in zip(scenario.moves, steps, strict=True))
    rows = rows_of(steps, stand, named=scenario.lines)
    mask = parts_mask(steps, stand.measured)
    return Tried(scenario.name, words, rows, step_marks(steps, words, stand.measured), mask)


def rows_of(steps: Sequence[Step], stand: Stand, *, named: Sequence[str] | None = None) -> tuple[Row, ...]:
    """Before and after of each line that the steps touch, in the plan's order.

    named : these lines alone, touched or not; judging every line of a large piece anew takes long
    """
    every = [line.id for line in stand.plan_mm.characteristics if line.id in stand.before]
    names = every if named is None else [name for name in every if name in named]
    after, nominal = stand.after(names, steps), stand.nominal_after(names, steps)
    rows = []
    for name in names:
        before = stand.before[name]
        row = Row(
            id=name,
            title=before.title,
            kind=before.kind,
            unit=before.unit,
            nominal_before=stand.nominal(name),
            nominal_after=after[name].nominal if nominal[name] is None else nominal[name],
            before=before,
            after=after[name],
        )
        if named is not None or is_touched(row):
            rows.append(row)
    return tuple(rows)


def is_touched(row: Row) -> bool:
    """Whether a move changed the line's value or nominal, or whether it can be measured."""
    pairs = ((row.nominal_before, row.nominal_after), (row.before.measured, row.after.measured))
    return any(_differ(first, second) for first, second in pairs)


def _differ(first: float | None, second: float | None) -> bool:
    if first is None or second is None:
        return first is not second
    return abs(second - first) > LEAST_CHANGE


def nominal_figure(line: Any, plan_mm: Plan, perfect: Measured) -> float | None:
    """What the CAD makes of a line: its nominal on the perfect piece, or its value there if it states or has none."""
    plain = plan_mm.model_copy(update={"substitution": (), "uncertainty": Uncertainty()})
    try:
        found = judge_line(line, plain, perfect)
    except PlanInvalid:  # after a move the line may have nothing to speak of
        return None
    is_stated = getattr(line, "nominal", None) is not None
    return found.measured if is_stated or found.nominal is None else found.nominal


def picked_by_id(plan_mm: Plan, measured: Measured) -> Plan:
    """The plan with every feature picked by its id: a point picks another once the feature has moved away from it.

    Raises
    ------
    PlanInvalid
        If nominal has none of a pick.

    """
    changes: dict[str, object] = {}
    for name in PICKING:
        entries = getattr(plan_mm, name)
        changes[name] = tuple(_by_id(entry, measured, f"{name}[{at}]") for at, entry in enumerate(entries))
    return plan_mm.model_copy(update=changes)


def with_own_bodies(plan_mm: Plan, measured: Measured) -> tuple[Plan, Measured]:
    """Plan and piece with a body of its own for every placed part that shares one, so that it can be moved alone."""
    used = [entry.body for entry in plan_mm.mock_up]
    bodies, entries = list(measured.bodies), []
    for entry in plan_mm.mock_up:
        shared = next((body for body in measured.bodies if body.name == entry.body), None)
        if used.count(entry.body) > 1 and shared is not None:
            own = replace(shared, name=f"{shared.name} of {entry.name}")
            bodies.append(own)
            entries.append(entry.model_copy(update={"body": own.name}))
        else:
            entries.append(entry)
    if len(bodies) == len(measured.bodies):
        return plan_mm, measured
    return plan_mm.model_copy(update={"mock_up": tuple(entries)}), replace(measured, bodies=tuple(bodies))


def _by_id(model: ModelT, measured: Measured, where: str) -> ModelT:
    changes: dict[str, object] = {}
    for name in type(model).model_fields:
        changes[name] = _id_in(getattr(model, name), measured, where)
    return model.model_copy(update=changes)


def _id_in(value: Any, measured: Measured, where: str) -> Any:
    if isinstance(value, FeaturePick):
        return FeaturePick(id=measured.feature(value, where).id)
    if isinstance(value, BaseModel):
        return _by_id(value, measured, where)
    if isinstance(value, tuple):
        return tuple(_id_in(part, measured, where) for part in value)
    return value


def move_words(move: Move, step: Step) -> str:
    """A move as the report says it; lengths in mm."""
    what = f"{step.part.name}: "
    if move.translation is not None:
        return what + f"shift by {shift_text(move.translation)}"
    if move.offset is not None:
        return what + f"wall offset by {length_text(move.offset)}"
    if move.diameter_change is not None:
        return what + f"diameter changed by {length_text(move.diameter_change)}"
    return what + f"turned by {move.rotation_degrees:+.3f} degrees"

"""How far inside its limits each line lies after a move, with its uncertainty taken off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from shared.plan import Freedom, MoveOf, Solve, SolvedMove
from worker.records import Characteristic, Floats, Verdict
from worker.rigid import RigidTransform
from worker.whatif.motions import Motion, Offset
from worker.whatif.parts import Part, Step, Taking, diameter_offset, feature_of, part_of
from worker.whatif.records import Freed
from worker.whatif.scenarios import Stand

STEP_MM = 0.01  # of finite differences: rounding is far below it, and surfaces are straight over it
UNREACHABLE = -1e3  # margin of a line that a move leaves unmeasured: worse than any wall
AXES = (Freedom.X, Freedom.Y, Freedom.Z)


def line_margins(found: Characteristic) -> tuple[float, float]:
    """Room above the lower and below the upper limit, U taken off (ISO 14253-1); infinite where there is no limit."""
    if found.measured is None or found.U is None:
        return UNREACHABLE, UNREACHABLE
    low, high = found.limits.lower, found.limits.upper
    above = np.inf if low is None else found.measured - low - found.U
    below = np.inf if high is None else high - found.measured - found.U
    return float(above), float(below)


@dataclass(frozen=True, eq=False)
class Problem:
    """A solve, found in the piece.

    freed : the v numbers that may change;  parts : the part each belongs to
    names : lines that must conform;  sides : (c, 2) line and side (0 lower, 1 upper) of each margin
    """

    stand: Stand
    of: MoveOf
    freed: tuple[Freed, ...]
    parts: tuple[Part, ...]
    names: tuple[str, ...]
    sides: tuple[tuple[int, int], ...]
    _found: dict[bytes, tuple[Characteristic, ...]] = field(default_factory=dict, init=False, repr=False)

    @classmethod
    def of_plan(cls, solve: Solve, stand: Stand) -> Problem:
        """Look its parts up.

        Raises
        ------
        PlanInvalid
            If a move names what the piece does not have.

        """
        freed: list[Freed] = []
        parts: list[Part] = []
        for number, move in enumerate(solve.moves):
            where = f"solve {solve.name}, moves[{number}]"
            part = part_of(Taking(move.region, move.feature, move.body), stand.plan_mm, stand.measured, where)
            if Freedom.DIAMETER in move.freedoms:
                diameter_offset(0.0, feature_of(part, stand.measured), where)
            freed += _freed(move, part)
            parts += [part] * len(move.freedoms)
        before = [stand.before[name] for name in solve.lines]
        sides = [
            (index, side)
            for index, found in enumerate(before)
            for side, limit in enumerate((found.limits.lower, found.limits.upper))
            if limit is not None
        ]
        return cls(stand, solve.of, tuple(freed), tuple(parts), tuple(solve.lines), tuple(sides))

    @property
    def most_mm(self) -> Floats:
        """(v,) the largest move each way."""
        return np.array([one.most_mm for one in self.freed])

    def steps(self, move_mm: Floats) -> tuple[Step, ...]:
        """A move (v,) as steps, one for each part and way."""
        steps: list[Step] = []
        shifts: dict[int, Floats] = {}
        for value, freed, part in zip(move_mm, self.freed, self.parts, strict=True):
            freedom = Freedom(freed.freedom)
            if freedom in AXES:
                shifts.setdefault(id(part), np.zeros(3))[AXES.index(freedom)] = value
            else:
                steps.append(Step(part, self._offset(freedom, float(value), part), self.of))
        whole = {id(part): part for part in self.parts}
        for key, shift in shifts.items():
            steps.append(Step(whole[key], RigidTransform.from_rotation_vector(np.zeros(3), shift), self.of))
        return tuple(steps)

    def _offset(self, freedom: Freedom, value_mm: float, part: Part) -> Motion:
        if freedom is Freedom.OFFSET:
            return Offset(value_mm)
        return diameter_offset(value_mm, feature_of(part, self.stand.measured), part.name)

    def lines(self, move_mm: Floats) -> tuple[Characteristic, ...]:
        """The named lines judged after a move (v,), each move once."""
        key = np.ascontiguousarray(move_mm, dtype=np.float64).tobytes()
        if key not in self._found:
            after = self.stand.after(self.names, self.steps(np.asarray(move_mm)))
            self._found[key] = tuple(after[name] for name in self.names)
        return self._found[key]

    def margins(self, move_mm: Floats) -> Floats:
        """(c,) after a move (v,), each in its line's unit."""
        both = [line_margins(found) for found in self.lines(move_mm)]
        return np.array([both[index][side] for index, side in self.sides])

    def slopes(self, move_mm: Floats) -> Floats:
        """(c, v) of the margins by finite differences, toward nothing where the limit is near."""
        here = self.margins(move_mm)
        columns = []
        for index, most in enumerate(self.most_mm):
            step = min(STEP_MM, most / 2) * (-1.0 if move_mm[index] > 0 else 1.0)
            there = np.array(move_mm, dtype=np.float64)
            there[index] += step
            columns.append((self.margins(there) - here) / step)
        slopes: Floats = np.stack(columns, axis=1)
        return slopes

    def by_line(self, move_mm: Floats) -> dict[str, float]:
        """The least margin of each line."""
        found = zip(self.names, self.lines(move_mm), strict=True)
        return {name: min(line_margins(line)) for name, line in found}

    def conforms(self, move_mm: Floats) -> bool:
        """Whether every named line conforms after the move, by the decision rule itself."""
        return all(line.verdict is Verdict.CONFORMS for line in self.lines(move_mm))


def _freed(move: SolvedMove, part: Part) -> Sequence[Freed]:
    return [Freed(part.name, part.source, freedom.value, move.most, move.ask_of) for freedom in move.freedoms]

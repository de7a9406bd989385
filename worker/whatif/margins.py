"""How far inside its limits each line lies after a move, with its uncertainty taken off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from shared.plan import Freedom, MoveOf, Solve, SolvedMove
from shared.plan.what_if import TURNS
from worker.records import Characteristic, Floats, Verdict
from worker.rigid import RigidTransform
from worker.whatif.motions import Offset
from worker.whatif.pairs import PartMotion
from worker.whatif.parts import Part, Step, Taking, diameter_offset, feature_of, part_of
from worker.whatif.records import Freed
from worker.whatif.scenarios import Stand

UNREACHABLE = -1e3  # margin of a line that a move leaves unmeasured: worse than any wall
LEAST_ARM_MM = 1e-3  # of a turn about a part's own point: its arc must still tell the angle
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

    freed : the v numbers that may change, mm each; a turn is the arc of its part's farthest place
    parts : (p,) what moves;  of_part : (v,) which of them each number belongs to
    names : lines that must conform;  sides : (c, 2) line and side (0 lower, 1 upper) of each margin
    """

    stand: Stand
    of: MoveOf
    freed: tuple[Freed, ...]
    parts: tuple[Part, ...]
    of_part: tuple[int, ...]
    names: tuple[str, ...]
    sides: tuple[tuple[int, int], ...]
    _found: dict[tuple[bytes, str], Characteristic] = field(default_factory=dict, init=False, repr=False)
    _judged: set[bytes] = field(default_factory=set, init=False, repr=False)

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
        of_part: list[int] = []
        for number, move in enumerate(solve.moves):
            where = f"solve {solve.name}, moves[{number}]"
            part = part_of(Taking(move.region, move.feature, move.body), stand.plan_mm, stand.measured, where)
            if Freedom.DIAMETER in move.freedoms:
                diameter_offset(0.0, feature_of(part, stand.measured), where)
            freed += _freed(move, part, stand)
            parts.append(part)
            of_part += [number] * len(move.freedoms)
        before = [stand.before[name] for name in solve.lines]
        sides = [
            (index, side)
            for index, found in enumerate(before)
            for side, limit in enumerate((found.limits.lower, found.limits.upper))
            if limit is not None
        ]
        return cls(stand, solve.of, tuple(freed), tuple(parts), tuple(of_part), tuple(solve.lines), tuple(sides))

    @property
    def most_mm(self) -> Floats:
        """(v,) the largest move each way."""
        return np.array([one.most_mm for one in self.freed])

    @property
    def judged_count(self) -> int:
        """How many moves were judged by the lines themselves."""
        return len(self._judged)

    def motions(self, move_mm: Floats) -> tuple[PartMotion, ...]:
        """How each part goes (p,) in a move (v,)."""
        shift, turn = np.zeros((len(self.parts), 3)), np.zeros((len(self.parts), 3))
        offset = np.zeros(len(self.parts))
        pivot = np.zeros((len(self.parts), 3))
        for value, freed, own in zip(move_mm.tolist(), self.freed, self.of_part, strict=True):
            freedom = Freedom(freed.freedom)
            if freedom in AXES:
                shift[own, AXES.index(freedom)] = value
            elif freedom in TURNS:
                turn[own, TURNS.index(freedom)] = value / freed.arm_mm
                pivot[own] = freed.pivot_mm
            else:
                offset[own] += self._offset(freedom, value, self.parts[own]).distance_mm
        return tuple(
            PartMotion(RigidTransform.about(turn[own], shift[own], pivot[own]), float(offset[own]))
            for own in range(len(self.parts))
        )

    def steps(self, move_mm: Floats) -> tuple[Step, ...]:
        """A move (v,) as steps, one for each part and way."""
        steps: list[Step] = []
        for part, motion in zip(self.parts, self.motions(move_mm), strict=True):
            if motion.offset_mm:
                steps.append(Step(part, Offset(motion.offset_mm), self.of))
            steps.append(Step(part, motion.rigid, self.of))
        return tuple(steps)

    def _offset(self, freedom: Freedom, value_mm: float, part: Part) -> Offset:
        if freedom is Freedom.OFFSET:
            return Offset(value_mm)
        return diameter_offset(value_mm, feature_of(part, self.stand.measured), part.name)

    def lines(self, move_mm: Floats, names: Sequence[str] | None = None) -> tuple[Characteristic, ...]:
        """Lines judged after a move (v,), each once; all of them where none are named."""
        wanted = self.names if names is None else names
        move = np.ascontiguousarray(move_mm, dtype=np.float64) + 0.0
        key = move.tobytes()
        missing = [name for name in wanted if (key, name) not in self._found]
        if missing and not move.any():
            self._found.update({(key, name): self.stand.before[name] for name in missing})
        elif missing:
            after = self.stand.after(missing, self.steps(move))
            self._found.update({(key, name): after[name] for name in missing})
            self._judged.add(key)
        return tuple(self._found[key, name] for name in wanted)

    def margins(self, move_mm: Floats, rows: Sequence[int] | None = None) -> Floats:
        """(c,) after a move (v,), each in its line's unit; of some rows only where they are named."""
        sides = self.sides if rows is None else [self.sides[row] for row in rows]
        names = list(dict.fromkeys(self.names[index] for index, _ in sides))
        found = dict(zip(names, self.lines(move_mm, names), strict=True))
        return np.array([line_margins(found[self.names[index]])[side] for index, side in sides])

    def judged_margins(self, rows: Sequence[int]) -> tuple[Floats, Floats]:
        """Moves (n, v) at which all of some margins were judged, and those (n, rows)."""
        names = {self.names[self.sides[row][0]] for row in rows}
        keys = [
            key
            for key in dict.fromkeys(key for key, _ in self._found)
            if all((key, name) in self._found for name in names)
        ]
        moves = np.array([np.frombuffer(key) for key in keys]).reshape(len(keys), len(self.freed))
        margins = np.array([self.margins(move, rows) for move in moves]).reshape(len(keys), len(rows))
        return moves, margins

    def by_line(self, move_mm: Floats) -> dict[str, float]:
        """The least margin of each line."""
        found = zip(self.names, self.lines(move_mm), strict=True)
        return {name: min(line_margins(line)) for name, line in found}

    def conforms(self, move_mm: Floats) -> bool:
        """Whether every named line conforms after the move, by the decision rule itself."""
        return all(line.verdict is Verdict.CONFORMS for line in self.lines(move_mm))


def _freed(move: SolvedMove, part: Part, stand: Stand) -> Sequence[Freed]:
    places = _places_of(part, stand)
    pivot = (places.min(axis=0) + places.max(axis=0)) / 2 if move.point is None else np.array(move.point)
    found = []
    is_one = sum(freedom in TURNS for freedom in move.freedoms) == 1  # several turn about axes in between too
    for freedom in move.freedoms:
        plain = Freed(part.name, part.source, freedom.value, move.most or 0.0, move.ask_of)
        if freedom in TURNS:
            across = np.delete(places - pivot, TURNS.index(freedom), axis=1) if is_one else places - pivot
            arm = max(float(np.linalg.norm(across, axis=1).max()), LEAST_ARM_MM)
            most = float(np.radians(move.most_degrees or 0.0)) * arm
            plain = replace(plain, most_mm=most, arm_mm=arm, pivot_mm=tuple(pivot.tolist()))
        found.append(plain)
    return found


def _places_of(part: Part, stand: Stand) -> Floats:
    """Places (n, 3) of a part, in the piece's axes."""
    if not part.is_body:
        return stand.measured.samples.points_mm[part.is_sample]
    body = next(body for body in stand.measured.bodies if body.name == part.name)
    return part.T_piece_body.apply(body.vertices_mm)

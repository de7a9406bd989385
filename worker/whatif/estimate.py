"""Margins of a solve at many moves: walls by the calmed skins alone, other lines by judging them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from worker.records import Bools, Floats, Ints
from worker.whatif.light import LightWall
from worker.whatif.margins import Problem
from worker.whatif.rates import Rates

STEP_MM = 0.01  # of finite differences: rounding is far below it, and surfaces are straight over it
CHANGE_OF_U_MM = 2e-3  # by which U itself may change between places; the figure changes by the rate at most
Clues = tuple[tuple[Ints, ...] | None, ...]  # of each margin: rows of its wall that can hold it in a box


class Spent(Exception):
    """No more moves may be judged."""


@dataclass(frozen=True, eq=False)
class Estimate:
    """Margins as a search sees them.

    walls : (c,) of margins that are walls between regions, None for those that are judged
    level : (c,) what the line's own margin lies above the light wall, found with no move
    most_judged : moves that may be judged in all
    """

    problem: Problem
    rates: Rates
    walls: tuple[LightWall | None, ...]
    level: Floats
    most_judged: int

    @classmethod
    def of(cls, problem: Problem, most_judged: int) -> Estimate:
        """Make ready."""
        rates = Rates.of(problem)
        most = rates.reach(problem.most_mm[None])[0]
        kept: dict[int, LightWall | None] = {}
        for row, (index, _) in enumerate(problem.sides):
            if index not in kept:
                kept[index] = _wall(problem, problem.names[index], float(most[row]))
        walls = tuple(kept[index] for index, _ in problem.sides)
        bare = cls(problem, rates, walls, np.zeros(len(walls)), most_judged)
        still = np.zeros((1, len(problem.freed)))
        return cls(
            problem,
            rates,
            walls,
            np.where(bare.is_light, problem.margins(still[0]) - bare.light(still)[0], 0.0),
            most_judged,
        )

    @cached_property
    def is_light(self) -> Bools:
        """(c,) margins that need no judging."""
        return np.array([wall is not None for wall in self.walls])

    @property
    def can_exclude(self) -> bool:
        """Whether any margin changes by no more than is known."""
        return bool(np.isfinite(self.rates.per_mm).all(axis=1).any())

    def every_clue(self) -> Clues:
        """Of the whole box."""
        return tuple(None if wall is None else wall.every_row() for wall in self.walls)

    def light(self, moves_mm: Floats) -> Floats:
        """(n, c) of light margins after moves (n, v), nothing else."""
        found, _ = self._light(
            moves_mm, np.zeros((len(moves_mm), len(self.walls))), [self.every_clue()] * len(moves_mm)
        )
        return found

    def _light(self, moves_mm: Floats, reach: Floats, clues: Sequence[Clues]) -> tuple[Floats, list[Clues]]:
        motions = [self.problem.motions(move) for move in moves_mm]
        found = np.full((len(moves_mm), len(self.walls)), np.inf)
        kept: list[list[tuple[Ints, ...] | None]] = [[None] * len(self.walls) for _ in moves_mm]
        for row, wall in enumerate(self.walls):
            if wall is None:
                continue
            rows = [own[row] or () for own in clues]
            least, own_kept = wall.least(motions, rows, reach[:, row])
            limit = self._limit(row)
            found[:, row] = least - limit + self.level[row]
            for number, own in enumerate(own_kept):
                kept[number][row] = own
        return found, [tuple(own) for own in kept]

    def _limit(self, row: int) -> float:
        index, _ = self.problem.sides[row]
        return float(self.problem.stand.before[self.problem.names[index]].limits.lower or 0.0)

    def boxes(
        self, boxes_mm: tuple[Floats, Floats], clues: Sequence[Clues], slack: float, level: float
    ) -> tuple[Floats, Floats, list[Clues]]:
        """Margins (n, c) in the middle of boxes, and what none of the box passes (n, c).

        boxes_mm : (n, v) middles and half widths;  slack : how far light margins may lie off the lines' own
        level : nothing is judged where walls alone keep the least margin below it; what is not judged is infinite

        Raises
        ------
        Spent
            If more would have to be judged than may be.

        """
        moves_mm, half_mm = boxes_mm
        reach = self.rates.reach(half_mm)
        found, kept = self._light(moves_mm, reach, clues)
        upper = np.where(self.is_light, found + reach + slack, np.inf)
        judged = np.flatnonzero(~self.is_light)
        for number in np.flatnonzero((upper >= level).all(axis=1)) if len(judged) else ():
            if self.problem.judged_count >= self.most_judged:
                raise Spent
            found[number, judged] = self.problem.margins(moves_mm[number], judged.tolist())
            upper[number, judged] = found[number, judged] + reach[number, judged]
        return found, upper, kept

    def slopes(self, move_mm: Floats) -> Floats:
        """(c, v) of the margins by finite differences, toward nothing where the limit is near."""
        judged = np.flatnonzero(~self.is_light).tolist()
        here = self.problem.margins(move_mm, judged)
        columns = []
        for index, most in enumerate(self.problem.most_mm):
            step = min(STEP_MM, most / 2) * (-1.0 if move_mm[index] > 0 else 1.0)
            ahead, behind = np.array(move_mm, dtype=np.float64), np.array(move_mm, dtype=np.float64)
            ahead[index] += step
            behind[index] -= step
            both = self.light(np.stack([ahead, behind])) if self.is_light.any() else np.zeros((2, len(self.walls)))
            column = (both[0] - both[1]) / (2 * step)
            column[judged] = (self.problem.margins(ahead, judged) - here) / step
            columns.append(column)
        slopes: Floats = np.stack(columns, axis=1)
        return slopes

    def centred(self, moves_mm: Sequence[Floats]) -> Estimate:
        """Light walls set midway of what the lines' own margins lie above them after some moves."""
        rows = np.flatnonzero(self.is_light)
        level = self.level.copy()
        if len(rows):
            own = np.stack([self.problem.margins(move, rows.tolist()) for move in moves_mm])
            above = own - self.light(np.stack(moves_mm))[:, rows] + level[rows]
            level[rows] = (above.min(axis=0) + above.max(axis=0)) / 2
        return replace(self, level=level)

    def off(self, move_mm: Floats) -> float:
        """How far any light margin lies off the line's own after a move."""
        rows = np.flatnonzero(self.is_light)
        if not len(rows):
            return 0.0
        own = self.problem.margins(move_mm, rows.tolist())
        return float(np.abs(own - self.light(move_mm[None])[0, rows]).max())

    def rates_hold(self) -> bool:
        """Whether no judged margin changed faster than its rate between any two moves judged."""
        rows = [int(row) for row in np.flatnonzero(~self.is_light) if np.isfinite(self.rates.per_mm[row]).all()]
        moves, margins = self.problem.judged_margins(rows)
        if not rows or len(moves) < 2:
            return True
        one, other = np.triu_indices(len(moves), 1)
        reach = self.rates.reach(np.abs(moves[one] - moves[other]))[:, rows]
        return bool((np.abs(margins[one] - margins[other]) <= reach + CHANGE_OF_U_MM).all())


def _wall(problem: Problem, name: str, most_mm: float) -> LightWall | None:
    line = problem.stand.line(name)
    if line.kind != "wall_between":
        return None
    return LightWall.of((line.region, line.toward), problem.stand.measured, problem.parts, most_mm)

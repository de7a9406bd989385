"""Margins of a solve at many moves: walls by the calmed skins alone, other lines by judging them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np

from shared.plan.what_if import TURNS
from worker.records import Bools, Floats
from worker.whatif.light import LightWall
from worker.whatif.margins import Problem
from worker.whatif.rates import Rates

STEP_MM = 0.01  # of finite differences: rounding is far below it, and surfaces are straight over it
CHANGE_OF_U_MM = 2e-3  # by which U itself may change between places; the figure changes by the rate at most
MOST_CORNERS = 16  # of a box in shifts and offsets; a wider one is bounded by its reach alone
TURNED = frozenset(freedom.value for freedom in TURNS)


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
        still = np.zeros(len(problem.freed))
        return cls(
            problem,
            rates,
            walls,
            np.where(bare.is_light, problem.margins(still) - bare.light(still), 0.0),
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

    def light(self, move_mm: Floats) -> Floats:
        """(c,) of light margins after a move (v,), infinite of others."""
        motions, found = self.problem.motions(move_mm), np.full(len(self.walls), np.inf)
        for row, wall in enumerate(self.walls):
            if wall is not None:
                found[row] = wall.least(motions) + self._above_wall(row)
        return found

    def light_most(self, middle_mm: Floats, half_mm: Floats) -> Floats:
        """(c,) what light margins do not pass in a box, by what was asked of them so far; infinite of others."""
        reached, corners = half_mm, middle_mm[None]
        is_straight = (half_mm > 0) & ~self._is_turn
        if 2 ** int(is_straight.sum()) <= MOST_CORNERS:
            reached = np.where(self._is_turn, half_mm, 0.0)
            sides = [(-1.0, 1.0) if bends else (0.0,) for bends in is_straight]
            corners = middle_mm + np.array(list(product(*sides))) * half_mm
        motions = [self.problem.motions(corner) for corner in corners]
        more = self.rates.reach(reached[None])[0]
        found = np.full(len(self.walls), np.inf)
        for row, wall in enumerate(self.walls):
            if wall is not None:
                found[row] = wall.most(motions) + self._above_wall(row) + more[row]
        return found

    @cached_property
    def _is_turn(self) -> Bools:
        return np.array([freed.freedom in TURNED for freed in self.problem.freed])

    def _above_wall(self, row: int) -> float:
        """What a margin lies above its light wall."""
        index, _ = self.problem.sides[row]
        limit = self.problem.stand.before[self.problem.names[index]].limits.lower or 0.0
        return float(self.level[row]) - float(limit)

    def look(self, box_mm: tuple[Floats, Floats], slack: float, level: float, wanted: float) -> tuple[Floats, Floats]:
        """Margins (c,) in the middle of a box, and what none of the box passes (c,).

        box_mm : middle and half widths (v,);  slack : how far light margins may lie off the lines' own
        level : nothing is judged where walls alone keep the least margin below it; what is not judged is infinite
        wanted : light margins are asked for only where none may be below it; else they are bounds from above

        Raises
        ------
        Spent
            If more would have to be judged than may be.

        """
        middle, half = box_mm
        margins, upper = self.light_most(middle, np.zeros_like(half)), self.light_most(middle, half) + slack
        judged = np.flatnonzero(~self.is_light)
        if len(judged) and upper.min(initial=np.inf) >= level:
            if self.problem.judged_count >= self.most_judged:
                raise Spent
            margins[judged] = self.problem.margins(middle, judged.tolist())
            upper[judged] = margins[judged] + self.rates.reach(half[None])[0, judged]
        if upper.min() >= level and margins.min() >= wanted and self.is_light.any():
            margins = np.where(self.is_light, self.light(middle), margins)
            upper = np.where(self.is_light, self.light_most(middle, half) + slack, upper)
        return margins, upper

    def slopes(self, move_mm: Floats) -> Floats:
        """(c, v) of the margins by finite differences, toward nothing where the limit is near."""
        slopes, judged = self.light_slopes(move_mm), np.flatnonzero(~self.is_light).tolist()
        if judged:
            here = self.problem.margins(move_mm, judged)
            for index, step in enumerate(self._steps(move_mm)):
                slopes[judged, index] = (self.problem.margins(_stepped(move_mm, index, step), judged) - here) / step
        return slopes

    def light_slopes(self, move_mm: Floats) -> Floats:
        """(c, v) of the light margins, by finite differences both ways; none of others."""
        slopes = np.zeros((len(self.walls), len(move_mm)))
        light = self.is_light
        for index, step in enumerate(self._steps(move_mm)) if light.any() else ():
            ahead, behind = (self.light(_stepped(move_mm, index, way))[light] for way in (step, -step))
            slopes[light, index] = (ahead - behind) / (2 * step)
        return slopes

    def _steps(self, move_mm: Floats) -> list[float]:
        return [
            min(STEP_MM, float(most) / 2) * (-1.0 if value > 0 else 1.0)
            for value, most in zip(move_mm, self.problem.most_mm, strict=True)
        ]

    def centred(self, moves_mm: Sequence[Floats]) -> Estimate:
        """Light walls set midway of what the lines' own margins lie above them after some moves."""
        rows = np.flatnonzero(self.is_light)
        level = self.level.copy()
        if len(rows):
            own = np.stack([self.problem.margins(move, rows.tolist()) for move in moves_mm])
            above = own - np.stack([self.light(move)[rows] for move in moves_mm]) + level[rows]
            level[rows] = (above.min(axis=0) + above.max(axis=0)) / 2
        return replace(self, level=level)

    def off(self, move_mm: Floats) -> float:
        """How far any light margin lies off the line's own after a move, or off what pairs had bounded it by."""
        rows = np.flatnonzero(self.is_light)
        if not len(rows):
            return 0.0
        own = self.problem.margins(move_mm, rows.tolist())
        apart = float(np.abs(own - self.light(move_mm)[rows]).max())
        return max(apart, *(wall.over_mm for wall in self.walls if wall is not None))

    def rates_hold(self) -> bool:
        """Whether no judged margin changed faster than its rate between any two moves judged."""
        rows = [int(row) for row in np.flatnonzero(~self.is_light) if np.isfinite(self.rates.per_mm[row]).all()]
        moves, margins = self.problem.judged_margins(rows)
        if not rows or len(moves) < 2:
            return True
        one, other = np.triu_indices(len(moves), 1)
        reach = self.rates.reach(np.abs(moves[one] - moves[other]))[:, rows]
        return bool((np.abs(margins[one] - margins[other]) <= reach + CHANGE_OF_U_MM).all())


def _stepped(move_mm: Floats, index: int, step_mm: float) -> Floats:
    stepped = np.array(move_mm, dtype=np.float64)
    stepped[index] += step_mm
    return stepped


def _wall(problem: Problem, name: str, most_mm: float) -> LightWall | None:
    line = problem.stand.line(name)
    if line.kind != "wall_between":
        return None
    return LightWall.of((line.region, line.toward), problem.stand.measured, problem.parts, most_mm)

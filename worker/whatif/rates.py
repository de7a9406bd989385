"""How much a line's figure can change with a move: by no more than its surfaces go.

A shift by d and a turn whose farthest place goes by d change a wall or a clearance by at most d, the diameter of a
position's zone by 2 d.  Kinds that are not listed, such as walls along normals, can jump; of them no move is excluded.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from shared.plan import Freedom
from worker.judging.measured import Measured
from worker.records import Floats, Ints
from worker.whatif.margins import Problem
from worker.whatif.parts import Part
from worker.whatif.records import Freed


@dataclass(frozen=True)
class Rate:
    """Change of a figure by a mm that its surfaces are shifted or turned, offset, or changed in diameter."""

    shift: float
    offset: float
    diameter: float


UNKNOWN = Rate(np.inf, np.inf, np.inf)
RATES = {
    "wall_between": Rate(1.0, 2.0, 1.0),  # where two skins that are offset meet, their edge goes farther than they
    "clearance": Rate(1.0, 2.0, 1.0),
    "rod_passage": Rate(1.0, 2.0, 1.0),
    "distance": Rate(1.0, 1.0, 1.0),
    "position": Rate(2.0, 2.0, 1.0),
    "size": Rate(0.0, 2.0, 1.0),
}


AXES = (Freedom.X.value, Freedom.Y.value, Freedom.Z.value)


@dataclass(frozen=True, eq=False)
class Rates:
    """per_mm : (c, v) of each margin;  groups : numbers that add as the sides of a box do, one part's shifts."""

    per_mm: Floats
    groups: tuple[Ints, ...]

    @classmethod
    def of(cls, problem: Problem) -> Rates:
        """Of a solve's margins."""
        lines = [problem.stand.line(problem.names[index]) for index, _ in problem.sides]
        touched = [[_is_touched(line, part, problem.stand.measured) for part in problem.parts] for line in lines]
        per_mm = np.array(
            [
                [
                    _rate(line, freed) if own[part] else 0.0
                    for freed, part in zip(problem.freed, problem.of_part, strict=True)
                ]
                for line, own in zip(lines, touched, strict=True)
            ]
        )
        keys = [
            (part, "shift") if freed.freedom in AXES else (number, freed.freedom)
            for number, (freed, part) in enumerate(zip(problem.freed, problem.of_part, strict=True))
        ]
        groups = [np.flatnonzero([one == key for one in keys]) for key in dict.fromkeys(keys)]
        return cls(per_mm, tuple(groups))

    def reach(self, half_mm: Floats) -> Floats:
        """(n, c) by how much each margin can change from the middle of boxes (n, v) of half widths."""
        ways: Floats = sum(
            np.linalg.norm(self.per_mm[None, :, own] * half_mm[:, None, own], axis=2) for own in self.groups
        )
        return ways


def _rate(line: Any, freed: Freed) -> float:
    rate = RATES.get(line.kind, UNKNOWN)
    if getattr(line, "frame", None) is not None:  # a datum that moves takes far places along by a lever
        rate = UNKNOWN
    return {Freedom.OFFSET.value: rate.offset, Freedom.DIAMETER.value: rate.diameter}.get(freed.freedom, rate.shift)


def _is_touched(line: Any, part: Part, measured: Measured) -> bool:
    """Whether a part's surface is of those a wall lies between; of other kinds it may always be."""
    if line.kind != "wall_between":
        return True
    if part.is_body:
        return False
    member = measured.region(line.region).is_member | measured.region(line.toward).is_member
    return bool((member & part.is_sample).any())

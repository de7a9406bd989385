"""What trying moves gives."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from worker.exhibits import Mark
from worker.records import Bools, Characteristic, Floats, Limits, Verdict


@dataclass(frozen=True, eq=False, kw_only=True)
class Row:
    """One line of the plan before and after a move, in the line's own unit.

    nominal : the same characteristic of the perfect piece, by the CAD before and after
    measured, U, verdict : of the piece; None where it is not measured
    change : measured after less measured before; None unless both are measured.  Both rest on the same points, so
        that the change itself is as sure as the move is exact, and U is that of the value
    """

    id: str
    title: str
    kind: str
    unit: str
    nominal_before: float | None
    nominal_after: float | None
    before: Characteristic
    after: Characteristic

    @property
    def change(self) -> float | None:
        """Measured after less measured before."""
        before, after = self.before.measured, self.after.measured
        return None if before is None or after is None else after - before

    @property
    def is_worse(self) -> bool:
        """Whether a line that conformed does so no longer."""
        return self.before.verdict is Verdict.CONFORMS and self.after.verdict is not Verdict.CONFORMS

    @property
    def limits_after(self) -> Limits:
        """Limits after the move: those taken from the CAD go with it."""
        return self.after.limits


@dataclass(frozen=True, eq=False)
class Tried:
    """One scenario.

    words : its moves;  rows : every line it touches, and those the plan names
    marks : an arrow for each move;  sample_mask : (s,) of what moves
    """

    name: str
    words: tuple[str, ...]
    rows: tuple[Row, ...]
    marks: tuple[Mark, ...] = ()
    sample_mask: Bools | None = None


class Outcome(StrEnum):
    """What a solve came to."""

    FOUND = "found"
    ALREADY = "already"
    NONE_WITHIN_LIMITS = "none_within_limits"  # shown to be so
    NONE_FOUND = "none_found"  # looked for and not found
    NOT_MEASURED = "not_measured"


@dataclass(frozen=True)
class Freed:
    """One number a solve may change: freedom ``x``, ``turn_x``, ``offset``, ``diameter``... of a part.

    most_mm : either way; of a turn the arc of the part's farthest place
    arm_mm, pivot_mm : of a turn, that place's distance from the axis, and a point of the axis
    """

    part: str
    source: str
    freedom: str
    most_mm: float
    ask_of: str | None = None
    arm_mm: float = 0.0
    pivot_mm: tuple[float, ...] = ()

    @property
    def is_turn(self) -> bool:
        """Whether it is a turn, told in degrees."""
        return self.arm_mm > 0

    def degrees(self, arc_mm: float) -> float:
        """A turn's angle by its arc."""
        return math.degrees(arc_mm / self.arm_mm)


@dataclass(frozen=True, eq=False, kw_only=True)
class Solved:
    """The smallest move that makes the named lines conform, or how near any comes.

    move_mm : (v,) of ``freed``; the best found where none does
    length_mm : root of the sum of their squares
    floor_mm : no shorter move within the limits makes the lines conform, where that could be shown
    shown : what was shown and how, or that nothing was; one sentence
    margins : by line id, how far inside its limits the value lies with U taken off, in the line's unit, after the move
    margins_before : the same without it;  units : of both
    least_margin : the least of ``margins``
    fighting : ids of the lines that hold each other there, where none conforms
    bound : no move within the limits brings the least margin above this, where that could be shown
    words : what came out, one sentence
    rows : every line of the plan that the move touches
    marks : an arrow for each part that moves;  sample_mask : (s,) of what moves
    """

    name: str
    outcome: Outcome
    words: str
    freed: tuple[Freed, ...] = ()
    move_mm: Floats | None = None
    length_mm: float | None = None
    floor_mm: float | None = None
    shown: str = ""
    margins: Mapping[str, float]
    margins_before: Mapping[str, float]
    units: Mapping[str, str] = field(default_factory=dict)
    least_margin: float | None = None
    fighting: tuple[str, ...] = ()
    bound: float | None = None
    rows: tuple[Row, ...] = ()
    marks: tuple[Mark, ...] = ()
    sample_mask: Bools | None = None


OUTWARD, DIAMETER = "wall outward", "diameter"  # what a size to ask for is of


@dataclass(frozen=True, eq=False, kw_only=True)
class Asked:
    """One row of the list of moves.

    who, what : whom to ask, and for what part
    shift_mm : (3,) in part axes; None where it is no shift
    size_mm, size_words : an offset or a change of diameter
    reason, line : why, and the line that fails
    U_mm : expanded uncertainty of the move's length; of a solved move that of the lines it mends
    turn_rad, pivot_mm : (3,) rotation vector and a point of its axis; None where it is no turn
    arrow_mm : (n, 3) place and direction in the part, drawn long;  sample_mask : (s,) of what moves
    """

    who: str
    what: str
    shift_mm: Floats | None = None
    size_mm: float | None = None
    size_words: str = ""
    reason: str
    line: str
    U_mm: float | None = None
    turn_rad: Floats | None = None
    pivot_mm: Floats | None = None
    arrow_mm: Floats | None = None
    sample_mask: Bools | None = None


@dataclass(frozen=True, eq=False)
class WhatIf:
    """All that was tried, solved and asked for.

    seed : of the searches and of Monte Carlo;  why_not : why nothing could be tried
    """

    tried: tuple[Tried, ...]
    solved: tuple[Solved, ...]
    asked: tuple[Asked, ...]
    seed: int
    why_not: str | None = None

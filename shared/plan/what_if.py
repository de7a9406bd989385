"""What a plan asks beyond judging: what moving a surface would do, and which move would do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import Annotated

from pydantic import Field, model_validator

from shared.plan.base import Name, Strict, Vector
from shared.plan.places import FeaturePick

MOST_MOVES = 12  # in one scenario: each is applied and all lines judged again
MOST_SOLVED = 3  # parts moved at once by a solve; three freedoms each are nine numbers to find
Path = tuple[str | int, ...]
Reference = tuple[Path, str, str, str | None]  # path, where, what is named, its name


class MoveOf(StrEnum):
    """design: CAD and piece move together, as if made anew; piece: the piece alone, the CAD stays."""

    DESIGN = "design"
    PIECE = "piece"


class Freedom(StrEnum):
    """What a solve may change: a shift along a part axis, a turn about one, an offset of the wall, a diameter."""

    X = "x"
    Y = "y"
    Z = "z"
    TURN_X = "turn_x"
    TURN_Y = "turn_y"
    TURN_Z = "turn_z"
    OFFSET = "offset"
    DIAMETER = "diameter"


class _Taken(Strict):
    """Takes hold of exactly one region, feature or body."""

    region: Name | None = None
    feature: FeaturePick | None = None
    body: Name | None = None
    ask_of: Name | None = None

    @model_validator(mode="after")
    def _one_thing(self) -> _Taken:
        if sum(one is not None for one in (self.region, self.feature, self.body)) != 1:
            raise ValueError("give exactly one of region, feature, body")
        return self


class Move(_Taken):
    """One surface or body moved in exactly one way: shifted, turned, its wall offset, or its diameter changed.

    rotation_axis, rotation_degrees, point: turned about the axis through the point, right-handed
    offset: along the outward normal, so that more than nothing adds material
    """

    translation: Vector | None = None
    rotation_axis: Vector | None = None
    rotation_degrees: float | None = None
    point: Vector | None = None
    offset: float | None = None
    diameter_change: float | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Move:
        turn = (self.rotation_axis, self.rotation_degrees, self.point)
        if any(part is not None for part in turn) and any(part is None for part in turn):
            raise ValueError("a turn needs rotation_axis, rotation_degrees and point")
        if self.rotation_axis == (0.0, 0.0, 0.0):
            raise ValueError("rotation_axis has no direction")
        ways = (self.translation, self.rotation_degrees, self.offset, self.diameter_change)
        if sum(way is not None for way in ways) != 1:
            raise ValueError("give exactly one of translation, a turn, offset, diameter_change")
        if self.diameter_change is not None and self.feature is None:
            raise ValueError("diameter_change is of a feature")
        if self.offset is not None and self.body is not None:
            raise ValueError("a body is shifted or turned, it has no wall to offset")
        return self


class Scenario(Strict):
    """What if these moves were made: every line they touch, before and after."""

    name: Name
    of: MoveOf = MoveOf.DESIGN
    moves: Annotated[tuple[Move, ...], Field(min_length=1, max_length=MOST_MOVES)]
    lines: tuple[Name, ...] | None = None


TURNS = (Freedom.TURN_X, Freedom.TURN_Y, Freedom.TURN_Z)


class SolvedMove(_Taken):
    """One surface or body that a solve may move, by at most ``most`` each way in each freedom.

    most_degrees : the same of turns;  point: they go about axes through it, else through the middle of what is moved
    """

    freedoms: Annotated[tuple[Freedom, ...], Field(min_length=1)] = (Freedom.X, Freedom.Y, Freedom.Z)
    most: Annotated[float, Field(gt=0)] | None = None
    most_degrees: Annotated[float, Field(gt=0, le=10)] | None = None
    point: Vector | None = None

    @model_validator(mode="after")
    def _fits(self) -> SolvedMove:
        if len(set(self.freedoms)) < len(self.freedoms):
            raise ValueError("a freedom is given twice")
        turns = [freedom for freedom in self.freedoms if freedom in TURNS]
        if bool(turns) != (self.most_degrees is not None) or (self.point is not None and not turns):
            raise ValueError("turns need most_degrees, and only turns take it and a point")
        if (len(turns) < len(self.freedoms)) != (self.most is not None):
            raise ValueError("shifts, offset and diameter need most, and only they take it")
        if Freedom.DIAMETER in self.freedoms and self.feature is None:
            raise ValueError("diameter is of a feature")
        if Freedom.OFFSET in self.freedoms and self.body is not None:
            raise ValueError("a body has no wall to offset")
        return self


class Solve(Strict):
    """The smallest move within limits that makes the named lines conform, uncertainty included."""

    name: Name
    of: MoveOf = MoveOf.DESIGN
    moves: Annotated[tuple[SolvedMove, ...], Field(min_length=1, max_length=MOST_SOLVED)]
    lines: Annotated[tuple[Name, ...], Field(min_length=1)]


def references(what_if: Sequence[Scenario], solve: Sequence[Solve]) -> Iterator[Reference]:
    """Everything scenarios and solves name elsewhere in the plan."""
    lists: tuple[tuple[str, Sequence[Scenario | Solve]], ...] = (("what_if", what_if), ("solve", solve))
    for key, entries in lists:
        for index, entry in enumerate(entries):
            where = f"{key.replace('_', ' ')} {entry.name}"
            for place, move in enumerate(entry.moves):
                yield (key, index, "moves", place, "region"), where, "region", move.region
            for place, line in enumerate(entry.lines or ()):
                yield (key, index, "lines", place), where, "characteristic", line

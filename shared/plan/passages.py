"""Passages that something straight must go through."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from shared.plan.base import Name, Vector
from shared.plan.lines import InFrame


class RodPassage(InFrame):
    """A straight rod passes: the gap all round it, at the diameter wanted, over all of its travel.

    start, end: of its axis, the centres of its ball ends;  start_travel, end_travel: where those are
    at full lift, reached in step; an end without one stays.  diameter: of the rod, or preset: a common
    push-rod size.  regions: the surface that counts, all of it if left out.  least: the gap required.
    """

    kind: Literal["rod_passage"]
    start: Vector
    end: Vector
    start_travel: Vector | None = None
    end_travel: Vector | None = None
    diameter: Annotated[float, Field(gt=0)] | None = None
    preset: Literal["1/2 in", "9/16 in", "5/8 in"] | None = None
    least: Annotated[float, Field(ge=0)]
    regions: Annotated[tuple[Name, ...], Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _complete(self) -> RodPassage:
        if (self.diameter is None) == (self.preset is None):
            raise ValueError("give exactly one of diameter and preset")
        if self.start == self.end:
            raise ValueError("start and end are the same point")
        if (self.start_travel or self.start) == (self.end_travel or self.end):
            raise ValueError("start and end are the same point at full lift")
        return self

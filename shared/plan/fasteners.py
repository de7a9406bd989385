"""Fasteners: metal round a hole, gaps between bolts, and places for further ones."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from shared.plan.base import Name
from shared.plan.lines import Characteristic
from shared.plan.places import FeaturePick
from shared.threads import parse_thread


def _a_thread(text: str) -> str:
    parse_thread(text)
    return text


ThreadName = Annotated[str, Field(min_length=2, max_length=20), AfterValidator(_a_thread)]
Length = Annotated[float, Field(gt=0)]
Strength = Annotated[float, Field(gt=0)]


class Fastener(Characteristic):
    """Least metal of the piece round the hole of a screw or stud, square to its axis, over its depth.

    thread: of the screw: M8, M10x1.25, 3/8-16
    joint: the screw goes through, or into a thread in this part; by the size of the hole if left out
    clamp_length, head_diameter: of the joint, for its cone of pressure
    least: a third of the thread's diameter if left out (common practice)
    """

    kind: Literal["fastener"]
    feature: FeaturePick
    thread: ThreadName
    joint: Literal["through", "tapped"] | None = None
    clamp_length: Length | None = None
    head_diameter: Length | None = None
    strength_internal_mpa: Strength | None = None
    strength_external_mpa: Strength | None = None
    least: Length | None = None

    @model_validator(mode="after")
    def _in_pairs(self) -> Fastener:
        if (self.clamp_length is None) != (self.head_diameter is None):
            raise ValueError("give both clamp_length and head_diameter, or neither")
        if (self.strength_internal_mpa is None) != (self.strength_external_mpa is None):
            raise ValueError("give both strengths, or neither")
        return self


class FastenerLine(Characteristic):
    """Largest gap between neighbours of a row of holes, along the line of a gasket or cover.

    features: the holes in their order along the line;  closed: the last is a neighbour of the first
    """

    kind: Literal["fastener_line"]
    features: Annotated[tuple[FeaturePick, ...], Field(min_length=2, max_length=200)]
    closed: bool = False
    most: Length

    @model_validator(mode="after")
    def _is_a_line(self) -> FastenerLine:
        if len(set(self.features)) < len(self.features):
            raise ValueError("each hole may stand only once in features")
        if self.closed and len(self.features) < 3:
            raise ValueError("a closed line needs three holes")
        return self


class FastenerSites(Characteristic):
    """How many further holes of one size could be drilled into a plane face with all walls kept.

    depth: of the drilled hole, square to the face;  least: metal all round it, a third of the diameter if left out
    spacing: least distance of axes, from each other and from holes that are there; 2.5 diameters if left out
    edge: least distance of an axis from the face's edge; 1.5 diameters if left out
    """

    kind: Literal["fastener_sites"]
    region: Name
    thread: ThreadName
    depth: Length
    least: Length | None = None
    spacing: Length | None = None
    edge: Length | None = None
    required_count: Annotated[int, Field(ge=1)] | None = None

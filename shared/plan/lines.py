"""What lines of a plan share, whatever their kind."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field, model_validator

from shared.plan.base import Name, Strict

GENERAL_PATTERN = r"^(ISO 2768-[fmcv]|ISO 8062-3 DCTG ([1-9]|1[0-6])|ISO 286 IT([1-9]|1[0-8]))$"
General = Annotated[
    str,
    Field(
        description="A class of general tolerances: 'ISO 2768-m', 'ISO 8062-3 DCTG 10', 'ISO 286 IT14' (js).",
        pattern=GENERAL_PATTERN,
    ),
]


class Characteristic(Strict):
    """A line of a plan."""

    id: Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[\w.\-]+$")]
    title: Annotated[str, Field(max_length=120)] | None = None


class InFrame(Characteristic):
    """frame: one of the plan's frames; without it, what the plan's alignment says."""

    frame: Name | None = None


class Limited(Characteristic):
    """Limits as departures from nominal, or a general class; else the plan's ``general_tolerance``.

    nominal: the drawing's value where it is not the CAD's
    """

    nominal: float | None = None
    lower_deviation: float | None = None
    upper_deviation: float | None = None
    general: General | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Limited:
        lower, upper = self.lower_deviation, self.upper_deviation
        if self.general is not None and not (lower is None and upper is None):
            raise ValueError("give deviations or a general class, not both")
        if lower is not None and upper is not None and lower >= upper:
            raise ValueError("lower_deviation must lie below upper_deviation")
        return self


class AxisName(StrEnum):
    """A part axis."""

    X = "x"
    Y = "y"
    Z = "z"

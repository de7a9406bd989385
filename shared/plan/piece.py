"""The piece, the scanner, the temperature, and how uncertainty is worked out."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field, model_validator

from shared.plan.base import Name, Strict


class PieceKind(StrEnum):
    """What was scanned."""

    PRINT = "print"
    CASTING = "casting"
    MACHINED = "machined"


class Piece(Strict):
    """The piece on the table.

    shrink_allowance_percent is the pattern maker's: percent of the casting's length that the
    pattern was made larger.  A print made to the CAD's own size has 0.
    """

    kind: PieceKind = PieceKind.CASTING
    serial: Annotated[str, Field(max_length=80)] | None = None
    alloy: Annotated[str, Field(max_length=80)] | None = None
    shrink_allowance_percent: Annotated[float, Field(ge=0, le=10)] | None = None


class Scanner(Strict):
    """What the scanner's maker or the last check states for lengths on a part of this size (k = 2)."""

    expanded_uncertainty: Annotated[float, Field(ge=0)]
    statement: Annotated[str, Field(max_length=400)] | None = None


class Temperature(Strict):
    """Temperature of the piece when it was scanned; lengths are stated at 20 degrees Celsius (ISO 1).

    expansion_ppm_per_kelvin: coefficient of linear expansion; else that of ``material`` in the table
    ``shared.tolerances.expansion``.  Expanded uncertainties at k = 2.  If the scanner's own
    software already brings lengths to 20 degrees, leave the temperature out of the plan.
    """

    celsius: Annotated[float, Field(ge=-50, le=200)]
    expanded_uncertainty_kelvin: Annotated[float, Field(ge=0, le=50)] = 2.0
    material: Name | None = None
    expansion_ppm_per_kelvin: Annotated[float, Field(gt=0, le=300)] | None = None
    expansion_expanded_uncertainty_percent: Annotated[float, Field(ge=0, le=100)] = 10.0

    @model_validator(mode="after")
    def _one_source(self) -> Temperature:
        if (self.material is None) == (self.expansion_ppm_per_kelvin is None):
            raise ValueError("give exactly one of material and expansion_ppm_per_kelvin")
        return self


class UncertaintyMethod(StrEnum):
    """gum: law of propagation (JCGM 100); monte_carlo: propagation of distributions (JCGM 101) beside it."""

    GUM = "gum"
    MONTE_CARLO = "monte_carlo"


class Uncertainty(Strict):
    """How U is worked out.  With monte_carlo both are, the report compares them, and verdicts use monte_carlo's."""

    method: UncertaintyMethod = UncertaintyMethod.GUM
    draws: Annotated[int, Field(ge=1000, le=1_000_000)] = 20_000


class Substitution(Strict):
    """What repeated scans of a calibrated piece like this one showed for one characteristic (ISO 15530-3).

    bias: mean measured value minus calibrated value; it is subtracted.  The expanded uncertainty is
    that of ISO 15530-3 (k = 2) and takes the place of the computed one where it is the larger.
    bias is in the unit of the characteristic: the plan's unit, percent or degrees.
    """

    id: Name
    bias: float
    expanded_uncertainty: Annotated[float, Field(ge=0)]
    statement: Annotated[str, Field(max_length=400)] | None = None


class MapSettings(Strict):
    """How maps are drawn and when a wall counts as thin; nothing is judged by these."""

    tolerance: Annotated[float, Field(gt=0)] | None = None
    thin_wall: Annotated[float, Field(gt=0)] | None = None

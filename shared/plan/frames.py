"""What characteristics are measured from: the fit of the whole piece, of chosen regions, or datums."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field, model_validator

from shared.plan.base import Name, Strict, Vector
from shared.plan.places import FeaturePick

LETTER_PATTERN = r"^[A-Z]{1,2}$"
Letter = Annotated[str, Field(pattern=LETTER_PATTERN)]


class DatumReference(StrEnum):
    """How a datum is taken from its feature.

    tangent: from outside material, the plane that touches the highest points (ISO 5459, ASME Y14.5),
    the smallest cylinder round a boss, the largest inside a hole;  least_squares: the Gaussian feature.
    """

    TANGENT = "tangent"
    LEAST_SQUARES = "least_squares"


class DatumTarget(Strict):
    """A place where the piece is touched: a point of nominal's surface and the radius of the spot averaged there."""

    point: Vector
    radius: Annotated[float, Field(gt=0)] | None = None


class Datum(Strict):
    """A datum: the plane, axis, centre or centre plane of one feature, or targets.

    feature: one feature, or two parallel planes of which the middle is the datum (``width``)
    targets: three or more in a primary plane, two or more in a secondary, one or more in a tertiary
    """

    letter: Letter
    feature: FeaturePick | None = None
    width: tuple[FeaturePick, FeaturePick] | None = None
    targets: tuple[DatumTarget, ...] | None = None
    reference: DatumReference = DatumReference.TANGENT

    @model_validator(mode="after")
    def _one_way(self) -> Datum:
        given = [key for key in ("feature", "width", "targets") if getattr(self, key) is not None]
        if len(given) != 1:
            raise ValueError(f"give exactly one of feature, width, targets (given: {given or 'none'})")
        return self


class Frame(Strict):
    """A datum reference frame: datums in order of precedence."""

    name: Name
    datums: Annotated[tuple[Letter, ...], Field(min_length=1, max_length=3)]


class AlignmentMethod(StrEnum):
    """What characteristics without a frame of their own, and the maps, are measured from.

    robust_fit: the fit of the whole piece that lets displaced places stand out, surfaces of named
    cores left out;  best_fit: least squares of everything seen;  regions: least squares of the named
    regions;  frame: a datum reference frame
    """

    ROBUST_FIT = "robust_fit"
    BEST_FIT = "best_fit"
    REGIONS = "regions"
    FRAME = "frame"


class AlignmentChoice(Strict):
    """Where the maps and the characteristics without a frame of their own are measured from."""

    method: AlignmentMethod = AlignmentMethod.ROBUST_FIT
    regions: tuple[Name, ...] | None = None
    frame: Name | None = None

    @model_validator(mode="after")
    def _complete(self) -> AlignmentChoice:
        for key, method in (("regions", AlignmentMethod.REGIONS), ("frame", AlignmentMethod.FRAME)):
            if (getattr(self, key) is not None) != (self.method is method):
                raise ValueError(f"{key} belongs to method {method.value} and only there")
        return self

"""Kinds of characteristic that tell how a bore, a pocket or a chamber lies against what it belongs to."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, model_validator

from shared.plan.base import Name, Strict, Vector
from shared.plan.lines import AxisName, Characteristic, InFrame, Limited
from shared.plan.places import FeaturePick

Cubic = Annotated[float, Field(ge=0)]


class SectionOffset(Limited, InFrame):
    """Offset of an axis or centre from the centroid of a region's section.

    The section is square to the feature's axis at the height of ``point``, or lies through ``point`` square to
    ``normal``.  Of several outlines there the largest round the axis counts.
    direction: only the component along this part axis, which may be negative
    most: the largest offset itself, instead of departures from nominal's
    """

    kind: Literal["section_offset"]
    feature: FeaturePick
    region: Name
    point: Vector
    normal: Vector | None = None
    direction: AxisName | None = None
    most: Annotated[float, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> SectionOffset:
        others = (self.nominal, self.lower_deviation, self.upper_deviation, self.general)
        if self.normal == (0.0, 0.0, 0.0):
            raise ValueError("normal has no direction")
        if self.most is not None and any(other is not None for other in others):
            raise ValueError("give most, or limits about nominal; not both")
        if self.most is not None and self.direction is not None:
            raise ValueError("most is of the whole offset; with a direction give deviations")
        return self


class PocketDepth(Limited):
    """Depth of a pocket's floor below a face, along an axis instead of along the faces' own normals.

    The axis, such as that of a valve guide, is followed from where it meets ``face`` to where it meets the floor;
    more than nothing where the floor lies below the face, against the face's outward normal, so that a spring
    pocket is deep and a pad stands proud by less than nothing.  The height of a seat is the same with its face.

    feature: the floor, a plane;  face: the plane it is measured from;  axis: a hole, boss or cone
    """

    kind: Literal["pocket_depth"]
    feature: FeaturePick
    face: FeaturePick
    axis: FeaturePick


class Openings(StrEnum):
    """What becomes of rims that do not lie in the closing plane.

    refused: the region must close;  flat: each is closed straight across, as by a plug flush with its rim
    """

    REFUSED = "refused"
    FLAT = "flat"


class CavityVolume(Characteristic):
    """Volume of a pocket or chamber closed by a plane, as a burette reads it, in cubic centimetres.

    region: its walls;  plane: a plane feature that closes it, such as the deck, as the piece has it; or
    ``point`` and ``normal``, which points out of the cavity
    """

    kind: Literal["cavity_volume"]
    region: Name
    plane: FeaturePick | None = None
    point: Vector | None = None
    normal: Vector | None = None
    openings: Openings = Openings.REFUSED
    lower_cc: Cubic | None = None
    upper_cc: Cubic | None = None

    @model_validator(mode="after")
    def _complete(self) -> CavityVolume:
        if (self.point is None) != (self.normal is None) or (self.plane is None) == (self.point is None):
            raise ValueError("give a plane, or a point and a normal")
        if self.normal == (0.0, 0.0, 0.0):
            raise ValueError("normal has no direction")
        if self.lower_cc is None and self.upper_cc is None:
            raise ValueError("give lower_cc, upper_cc, or both")
        if self.lower_cc is not None and self.upper_cc is not None and self.lower_cc >= self.upper_cc:
            raise ValueError("lower_cc must lie below upper_cc")
        return self


class Mirror(StrEnum):
    """Along which part axis the sibling is the mirror image; none where it is a shifted copy."""

    X = "x"
    Y = "y"
    Z = "z"
    NONE = "none"


class SectionAt(Strict):
    """Where a region is cut: through ``point``, square to the feature's axis or to ``normal``."""

    region: Name
    point: Vector
    normal: Vector | None = None

    @model_validator(mode="after")
    def _has_direction(self) -> SectionAt:
        if self.normal == (0.0, 0.0, 0.0):
            raise ValueError("normal has no direction")
        return self


class SiblingOffset(InFrame):
    """How differently two like features sit off their own nominal places, the sibling's offset mirrored.

    section, sibling_section: how differently each sits off the middle of such a section of its own, as nominal has
    it, instead: two guides, each in its port
    direction: only the component along this part axis
    most: the largest difference
    """

    kind: Literal["sibling_offset"]
    feature: FeaturePick
    sibling: FeaturePick
    mirror: Mirror
    section: SectionAt | None = None
    sibling_section: SectionAt | None = None
    direction: AxisName | None = None
    most: Annotated[float, Field(gt=0)]

    @model_validator(mode="after")
    def _both_or_none(self) -> SiblingOffset:
        if (self.section is None) != (self.sibling_section is None):
            raise ValueError("give both section and sibling_section, or neither")
        return self

    @property
    def section_lines(self) -> tuple[SectionOffset, ...]:
        """The offsets of both from their sections, in order; none without sections."""
        pairs = ((self.feature, self.section), (self.sibling, self.sibling_section))
        return tuple(
            SectionOffset(
                id=self.id,
                kind="section_offset",
                feature=feature,
                region=at.region,
                point=at.point,
                normal=at.normal,
                frame=self.frame,
                most=self.most,
            )
            for feature, at in pairs
            if at is not None
        )

"""The kinds of characteristic a plan can ask for.

Words follow ISO 1101, ISO 14405-1, ASME Y14.5 and the foundry trade.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal, get_args

from pydantic import Field, model_validator

from shared.plan.base import Name, Vector
from shared.plan.fasteners import Fastener, FastenerLine, FastenerSites
from shared.plan.frames import Letter
from shared.plan.lines import AxisName, Characteristic, InFrame, Limited
from shared.plan.mock_up import Clearance
from shared.plan.offsets import CavityVolume, PocketDepth, SectionOffset, SiblingOffset
from shared.plan.passages import RodPassage
from shared.plan.places import FeaturePick
from shared.plan.ports import PortArea, PortSibling, PortVolume
from shared.plan.walls import RoomToRemove, WallBetween

GENERAL_ANGLE_PATTERN = r"^ISO 2768-[fmcv]$"
FIT_PATTERN = r"^[A-Za-z]{1,2}\d{1,2}$"
Fit = Annotated[str, Field(description="ISO 286 tolerance class, such as H8 or g6.", pattern=FIT_PATTERN)]
Zone = Annotated[float, Field(gt=0)]


class SizeAssociation(StrEnum):
    """Which size (ISO 14405-1): GG, GX of a hole, GN of a boss."""

    LEAST_SQUARES = "least_squares"
    MAXIMUM_INSCRIBED = "maximum_inscribed"
    MINIMUM_CIRCUMSCRIBED = "minimum_circumscribed"


class Size(Limited):
    """Diameter of a hole, boss or ball, or width of a slot."""

    kind: Literal["size"]
    feature: FeaturePick
    association: SizeAssociation = SizeAssociation.LEAST_SQUARES
    fit: Fit | None = None

    @model_validator(mode="after")
    def _one_limit(self) -> Size:
        others = (self.lower_deviation, self.upper_deviation, self.general)
        if self.fit is not None and any(other is not None for other in others):
            raise ValueError("give deviations, a fit, or a general class; only one of them")
        return self


class Distance(Limited, InFrame):
    """Distance between two features: parallel planes, axes, centres, or an axis or centre from a plane.

    direction: its component along one part axis only.  A single feature is measured from the origin
    of the frame, along ``direction``: then the value is a coordinate, and may be negative.
    """

    kind: Literal["distance"]
    first: FeaturePick
    second: FeaturePick | None = None
    direction: AxisName | None = None

    @model_validator(mode="after")
    def _two_or_along(self) -> Distance:
        if self.second is None and self.direction is None:
            raise ValueError("give a second feature, or a direction to measure one feature's coordinate along")
        return self


class Angle(Characteristic):
    """Angle between two features' planes or axes, 0 to 180 degrees; or the full angle of a cone.

    Normals point out of material; axes are taken along the sense that gives nominal's angle.
    lower_degrees, upper_degrees: the least and largest angle themselves, not departures from nominal
    """

    kind: Literal["angle"]
    first: FeaturePick
    second: FeaturePick | None = None
    lower_degrees: Annotated[float, Field(ge=0, le=180)] | None = None
    upper_degrees: Annotated[float, Field(ge=0, le=180)] | None = None
    general: Annotated[str, Field(pattern=GENERAL_ANGLE_PATTERN)] | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Angle:
        lower, upper = self.lower_degrees, self.upper_degrees
        if self.general is not None and not (lower is None and upper is None):
            raise ValueError("give degrees or a general class, not both")
        if lower is not None and upper is not None and lower >= upper:
            raise ValueError("lower_degrees must lie below upper_degrees")
        return self


class Flatness(Characteristic):
    """Flatness (ISO 1101, minimum zone) of a plane."""

    kind: Literal["flatness"]
    feature: FeaturePick
    zone: Zone


class Straightness(Characteristic):
    """Straightness (ISO 1101, minimum zone): of an axis in a cylindrical zone, or of each line along a surface."""

    kind: Literal["straightness"]
    feature: FeaturePick
    of: Literal["axis", "lines"] = "axis"
    zone: Zone


class Roundness(Characteristic):
    """Roundness (ISO 1101, minimum zone): the worst section square to the axis."""

    kind: Literal["roundness"]
    feature: FeaturePick
    zone: Zone


class Cylindricity(Characteristic):
    """Cylindricity (ISO 1101, minimum zone)."""

    kind: Literal["cylindricity"]
    feature: FeaturePick
    zone: Zone


class _FromDatum(Characteristic):
    feature: FeaturePick
    datum: Letter
    zone: Zone


class Parallelism(_FromDatum):
    """Parallelism to a datum: zone between two planes for a plane, cylindrical for an axis to an axis."""

    kind: Literal["parallelism"]


class Perpendicularity(_FromDatum):
    """Perpendicularity to a datum: zone between two planes for a plane, cylindrical for an axis to a plane."""

    kind: Literal["perpendicularity"]


class Angularity(_FromDatum):
    """Angularity to a datum at nominal's angle."""

    kind: Literal["angularity"]


class Coaxiality(Characteristic):
    """Coaxiality with a datum axis: diameter of the zone round it that the axis needs over its length."""

    kind: Literal["coaxiality"]
    feature: FeaturePick
    datum: Letter
    zone_diameter: Zone


class CircularRunout(_FromDatum):
    """Circular run-out about a datum axis: the worst section, radial for cylinders, axial for faces."""

    kind: Literal["circular_runout"]


class TotalRunout(_FromDatum):
    """Total run-out about a datum axis."""

    kind: Literal["total_runout"]


class MaterialCondition(StrEnum):
    """rfs: regardless of feature size; mmc, lmc: the zone grows as the feature leaves that size (ISO 2692)."""

    RFS = "rfs"
    MMC = "mmc"
    LMC = "lmc"


class Position(InFrame):
    """Position of an axis or centre (ISO 1101, ISO 5458, ASME Y14.5): diameter of the zone it needs over its depth.

    shrink_removed: the piece is brought to nominal's size first, so that shrink is not read as position
    With mmc or lmc the size limits must be given; the bonus is taken from the size of the right
    envelope (ASME Y14.5.1-2019): for a hole the largest inscribed cylinder at true orientation (mmc).
    """

    kind: Literal["position"]
    feature: FeaturePick
    zone_diameter: Zone
    condition: MaterialCondition = MaterialCondition.RFS
    lower_deviation: float | None = None
    upper_deviation: float | None = None
    fit: Fit | None = None
    shrink_removed: bool = False

    @model_validator(mode="after")
    def _sized(self) -> Position:
        lower, upper = self.lower_deviation, self.upper_deviation
        both = lower is not None and upper is not None
        if (lower is None) != (upper is None) or (both and self.fit is not None):
            raise ValueError("give both deviations of size, or a fit")
        if lower is not None and upper is not None and lower >= upper:
            raise ValueError("lower_deviation must lie below upper_deviation")
        if (self.condition is MaterialCondition.RFS) == (both or self.fit is not None):
            raise ValueError("size limits (deviations or fit) belong to mmc and lmc, and only there")
        return self


class SurfaceProfile(InFrame):
    """Profile of a surface (ISO 1101, ASME Y14.5): all of ``region`` inside a zone about nominal.

    zone is the total width; outside is the part of it that lies outside material (U), half by default.
    Without a region the whole scanned surface is judged.
    """

    kind: Literal["surface_profile"]
    region: Name | None = None
    zone: Zone
    outside: Annotated[float, Field(ge=0)] | None = None

    @model_validator(mode="after")
    def _inside_zone(self) -> SurfaceProfile:
        if self.outside is not None and self.outside > self.zone:
            raise ValueError("outside cannot exceed zone")
        return self


class LineProfile(InFrame):
    """Profile of a line (ISO 1101): the section of ``region`` by a plane through ``point`` square to ``normal``."""

    kind: Literal["line_profile"]
    region: Name | None = None
    point: Vector
    normal: Vector
    zone: Zone
    outside: Annotated[float, Field(ge=0)] | None = None

    @model_validator(mode="after")
    def _drawable(self) -> LineProfile:
        if self.outside is not None and self.outside > self.zone:
            raise ValueError("outside cannot exceed zone")
        if self.normal == (0.0, 0.0, 0.0):
            raise ValueError("normal has no direction")
        return self


class WallThickness(Characteristic):
    """Wall of the piece over ``region``, optionally only toward a second region.

    least: the least wall allowed;  grade: DCTG of the casting, the wall being judged one grade
    coarser (ISO 8062-3) as nominal plus or minus half the band, at its worst place
    """

    kind: Literal["wall_thickness"]
    region: Name | None = None
    toward: Name | None = None
    least: Annotated[float, Field(gt=0)] | None = None
    grade: Annotated[int, Field(ge=1, le=15)] | None = None

    @model_validator(mode="after")
    def _one_limit(self) -> WallThickness:
        if (self.least is None) == (self.grade is None):
            raise ValueError("give exactly one of least and grade")
        return self


class MachiningAllowance(InFrame):
    """Material left to be machined off a face: deviation of the casting above the finished face, at its least.

    feature or region: the face as finished nominal has it
    required: the least allowed;  grade: RMAG letter (ISO 8062-3), by the part's largest dimension
    most: the most allowed, optional
    """

    kind: Literal["machining_allowance"]
    feature: FeaturePick | None = None
    region: Name | None = None
    required: Annotated[float, Field(ge=0)] | None = None
    grade: Annotated[str, Field(pattern=r"^[A-HJK]$")] | None = None
    most: Annotated[float, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _complete(self) -> MachiningAllowance:
        if (self.feature is None) == (self.region is None):
            raise ValueError("give exactly one of feature and region")
        if (self.required is None) == (self.grade is None):
            raise ValueError("give exactly one of required and grade")
        return self


class CoreDisplacement(InFrame):
    """Length of the rigid displacement of a region (a core) against the rest of the piece, or against a frame."""

    kind: Literal["core_displacement"]
    region: Name
    most: Annotated[float, Field(gt=0)]
    shrink_removed: bool = True


class ShrinkAxis(StrEnum):
    """Along which part axis; overall is the uniform scale."""

    X = "x"
    Y = "y"
    Z = "z"
    OVERALL = "overall"


class ShrinkCharacteristic(Characteristic):
    """Shrink of the piece, percent of its own length, counting the allowance in the pattern."""

    kind: Literal["shrink"]
    axis: ShrinkAxis = ShrinkAxis.OVERALL
    lower_percent: float
    upper_percent: float


AnyCharacteristic = Annotated[
    Size
    | Distance
    | Angle
    | Flatness
    | Straightness
    | Roundness
    | Cylindricity
    | Parallelism
    | Perpendicularity
    | Angularity
    | Position
    | Coaxiality
    | CircularRunout
    | TotalRunout
    | SurfaceProfile
    | LineProfile
    | WallThickness
    | WallBetween
    | RoomToRemove
    | MachiningAllowance
    | RodPassage
    | CoreDisplacement
    | Fastener
    | FastenerLine
    | FastenerSites
    | SectionOffset
    | PocketDepth
    | CavityVolume
    | SiblingOffset
    | PortArea
    | PortVolume
    | PortSibling
    | ShrinkCharacteristic
    | Clearance,
    Field(discriminator="kind"),
]

KINDS: tuple[str, ...] = tuple(
    get_args(model.model_fields["kind"].annotation)[0] for model in get_args(get_args(AnyCharacteristic)[0])
)

"""The inspection plan: what to judge, in which unit, against which limits.

A plan is YAML or JSON.  Lengths are in the plan's own ``unit`` here and are turned into
millimetres once, by :meth:`Plan.to_mm`.  Words follow ISO 1101, ISO 17450 and the foundry trade.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

from shared.units import LengthUnit

PLAN_VERSION = "1"
LENGTH_FIELDS = frozenset(
    {
        "expanded_uncertainty",
        "tolerance",
        "thin_wall",
        "minimum",
        "maximum",
        "centre",
        "radius",
        "start",
        "end",
        "zone",
        "outside",
        "least",
        "most",
        "point",
        "zone_diameter",
        "lower_deviation",
        "upper_deviation",
    }
)  # every field that is in the plan's unit; all other numbers are percents and face numbers
Vector = tuple[float, float, float]
Name = Annotated[str, Field(min_length=1, max_length=80)]


_Model = TypeVar("_Model", bound=BaseModel)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class PieceKind(StrEnum):
    """What was scanned."""

    PRINT = "print"
    CASTING = "casting"
    MACHINED = "machined"


class Piece(_Strict):
    """The piece on the table.

    shrink_allowance_percent is the pattern maker's: percent of the casting's length that the
    pattern was made larger.  A print made to the CAD's own size has 0.
    """

    kind: PieceKind = PieceKind.CASTING
    serial: Annotated[str, Field(max_length=80)] | None = None
    alloy: Annotated[str, Field(max_length=80)] | None = None
    shrink_allowance_percent: Annotated[float, Field(ge=0, le=10)] | None = None


class Scanner(_Strict):
    """What the scanner's maker or the last check states for lengths on a part of this size (k = 2)."""

    expanded_uncertainty: Annotated[float, Field(ge=0)]
    statement: Annotated[str, Field(max_length=400)] | None = None


class MapSettings(_Strict):
    """How maps are drawn and when a wall counts as thin; nothing is judged by these."""

    tolerance: Annotated[float, Field(gt=0)] | None = None
    thin_wall: Annotated[float, Field(gt=0)] | None = None


class Box(_Strict):
    """Axis-parallel box in part axes."""

    minimum: Vector
    maximum: Vector

    @model_validator(mode="after")
    def _ordered(self) -> Box:
        if any(low >= high for low, high in zip(self.minimum, self.maximum, strict=True)):
            raise ValueError("every minimum must lie below its maximum")
        return self


class Ball(_Strict):
    """A ball."""

    centre: Vector
    radius: Annotated[float, Field(gt=0)]


class Tube(_Strict):
    """A solid cylinder between two end points."""

    start: Vector
    end: Vector
    radius: Annotated[float, Field(gt=0)]

    @model_validator(mode="after")
    def _has_length(self) -> Tube:
        if self.start == self.end:
            raise ValueError("start and end are the same point")
        return self


class RegionChoice(_Strict):
    """A named part of the nominal surface, chosen in exactly one way.

    core: the surface shared with the named core body of the revision;  faces: B-rep face
    numbers;  face_names: names of faces in the STEP file;  box, ball, tube: everything inside.
    """

    name: Name
    core: Name | None = None
    faces: tuple[Annotated[int, Field(ge=0)], ...] | None = None
    face_names: tuple[Name, ...] | None = None
    box: Box | None = None
    ball: Ball | None = None
    tube: Tube | None = None

    @model_validator(mode="after")
    def _one_way(self) -> RegionChoice:
        given = [
            key for key in ("core", "faces", "face_names", "box", "ball", "tube") if getattr(self, key) is not None
        ]
        if len(given) != 1:
            raise ValueError(f"give exactly one of core, faces, face_names, box, ball, tube (given: {given or 'none'})")
        return self


class _Characteristic(_Strict):
    id: Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[\w.\-]+$")]
    title: Annotated[str, Field(max_length=120)] | None = None


class SurfaceProfile(_Characteristic):
    """Profile of a surface (ISO 1101, ASME Y14.5): all of ``region`` inside a zone about nominal.

    zone is the total width; outside is the part of it that lies outside material (U), half by default.
    Without a region the whole scanned surface is judged.
    """

    kind: Literal["surface_profile"]
    region: Name | None = None
    zone: Annotated[float, Field(gt=0)]
    outside: Annotated[float, Field(ge=0)] | None = None

    @model_validator(mode="after")
    def _inside_zone(self) -> SurfaceProfile:
        if self.outside is not None and self.outside > self.zone:
            raise ValueError("outside cannot exceed zone")
        return self


class WallThickness(_Characteristic):
    """Least wall of the piece over ``region``, optionally only toward a second region."""

    kind: Literal["wall_thickness"]
    region: Name | None = None
    toward: Name | None = None
    least: Annotated[float, Field(gt=0)]


class CoreDisplacement(_Characteristic):
    """Length of the rigid displacement of a region (a core) against the rest of the piece."""

    kind: Literal["core_displacement"]
    region: Name
    most: Annotated[float, Field(gt=0)]
    shrink_removed: bool = True


class _Hole(_Characteristic):
    """A hole is named by its B-rep face number or by a point near its axis."""

    face: Annotated[int, Field(ge=0)] | None = None
    point: Vector | None = None

    @model_validator(mode="after")
    def _named_once(self) -> _Hole:
        if (self.face is None) == (self.point is None):
            raise ValueError("give either face or point")
        return self


class HolePosition(_Hole):
    """Position of a hole's axis (ISO 1101): diameter of the zone its axis needs over its depth."""

    kind: Literal["hole_position"]
    zone_diameter: Annotated[float, Field(gt=0)]
    shrink_removed: bool = False


class HoleDiameter(_Hole):
    """Least-squares diameter of a hole, judged as a departure from nominal."""

    kind: Literal["hole_diameter"]
    lower_deviation: float
    upper_deviation: float

    @model_validator(mode="after")
    def _ordered(self) -> HoleDiameter:
        if self.lower_deviation >= self.upper_deviation:
            raise ValueError("lower_deviation must lie below upper_deviation")
        return self


class ShrinkAxis(StrEnum):
    """Along which part axis; overall is the uniform scale."""

    X = "x"
    Y = "y"
    Z = "z"
    OVERALL = "overall"


class ShrinkCharacteristic(_Characteristic):
    """Shrink of the piece, percent of its own length, counting the allowance in the pattern."""

    kind: Literal["shrink"]
    axis: ShrinkAxis = ShrinkAxis.OVERALL
    lower_percent: float
    upper_percent: float


AnyCharacteristic = Annotated[
    SurfaceProfile | WallThickness | CoreDisplacement | HolePosition | HoleDiameter | ShrinkCharacteristic,
    Field(discriminator="kind"),
]


class Plan(_Strict):
    """A whole plan."""

    firstpour_plan: Literal["1"]
    title: Annotated[str, Field(max_length=200)] | None = None
    unit: LengthUnit = LengthUnit.MILLIMETRE
    piece: Piece = Piece()
    scanner: Scanner | None = None
    maps: MapSettings = MapSettings()
    regions: tuple[RegionChoice, ...] = ()
    characteristics: tuple[AnyCharacteristic, ...] = ()

    @model_validator(mode="after")
    def _names_agree(self) -> Plan:
        known = [region.name for region in self.regions]
        ids = [line.id for line in self.characteristics]
        for kind, names in (("region name", known), ("characteristic id", ids)):
            doubled = sorted({name for name in names if names.count(name) > 1})
            if doubled:
                raise ValueError(f"{kind} given twice: {', '.join(doubled)}")
        for line in self.characteristics:
            for key in ("region", "toward"):
                wanted = getattr(line, key, None)
                if wanted is not None and wanted not in known:
                    raise ValueError(f"characteristic {line.id}: {key} '{wanted}' is not among the regions")
        return self

    def to_mm(self) -> Plan:
        """The same plan with every length in millimetres."""
        return self if self.unit is LengthUnit.MILLIMETRE else _in_mm(self, self.unit.mm)


def _in_mm(model: _Model, mm: float) -> _Model:
    changes: dict[str, object] = {}
    for name in type(model).model_fields:
        value = getattr(model, name)
        if name == "unit":
            changes[name] = LengthUnit.MILLIMETRE
        elif isinstance(value, BaseModel):
            changes[name] = _in_mm(value, mm)
        elif isinstance(value, tuple) and any(isinstance(part, BaseModel) for part in value):
            changes[name] = tuple(_in_mm(part, mm) for part in value)
        elif name in LENGTH_FIELDS and value is not None:
            changes[name] = tuple(mm * part for part in value) if isinstance(value, tuple) else mm * value
    return model.model_copy(update=changes)

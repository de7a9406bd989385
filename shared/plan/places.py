"""Places of nominal: features, and regions of its surface."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, model_validator

from shared.plan.base import Name, Strict, Vector, explain


class Box(Strict):
    """Axis-parallel box in part axes."""

    minimum: Vector
    maximum: Vector

    @model_validator(mode="after")
    def _ordered(self) -> Box:
        if any(low >= high for low, high in zip(self.minimum, self.maximum, strict=True)):
            raise ValueError("every minimum must lie below its maximum")
        return self


class Ball(Strict):
    """A ball."""

    centre: Vector
    radius: Annotated[float, Field(gt=0)]


class Tube(Strict):
    """A solid cylinder between two end points."""

    start: Vector
    end: Vector
    radius: Annotated[float, Field(gt=0)]

    @model_validator(mode="after")
    def _has_length(self) -> Tube:
        if self.start == self.end:
            raise ValueError("start and end are the same point")
        return self


def _or_bare_text(schema: dict[str, Any], model: type[BaseModel]) -> None:
    """In the JSON Schema: the bare id, or an object."""
    explain(schema, model)
    whole = dict(schema) | {"minProperties": 1}
    schema.clear()
    schema["title"] = whole.pop("title")
    schema["description"] = whole.pop("description")
    schema["anyOf"] = [{"type": "string", "minLength": 1, "maxLength": 80}, whole]


class FeaturePick(Strict):
    """One detected feature of nominal, picked in exactly one way; a bare text is its id.

    id: as the list of features shows it (``hole-3``);  face: a B-rep face number it owns;
    face_name: the name of that face in the STEP file;  point: a point near its axis (holes, bosses,
    cones, slots) or on its surface (planes, spheres)
    """

    model_config = ConfigDict(json_schema_extra=_or_bare_text)

    id: Name | None = None
    face: Annotated[int, Field(ge=0)] | None = None
    face_name: Name | None = None
    point: Vector | None = None

    @model_validator(mode="before")
    @classmethod
    def _bare_text(cls, given: Any) -> Any:
        if isinstance(given, str):
            return {"id": given}
        if isinstance(given, Mapping | FeaturePick):
            return given
        raise ValueError("a feature is picked by its id, such as hole-3, or as {face: 12}, {point: [x, y, z]}")

    @model_validator(mode="after")
    def _one_way(self) -> FeaturePick:
        given = [key for key in ("id", "face", "face_name", "point") if getattr(self, key) is not None]
        if len(given) != 1:
            raise ValueError(f"give exactly one of id, face, face_name, point (given: {given or 'none'})")
        return self

    def __str__(self) -> str:
        """As the plan would say it."""
        if self.id is not None:
            return self.id
        if self.point is not None:
            return "the feature at ({:g}, {:g}, {:g})".format(*self.point)
        return f"face {self.face_name or self.face}"


class RegionChoice(Strict):
    """A named part of the nominal surface, chosen in exactly one way.

    core: the surface shared with the named core body of the revision;  faces: B-rep face
    numbers;  face_names: names of faces in the STEP file;  feature: a detected feature;
    box, ball, tube: everything inside.
    """

    name: Name
    core: Name | None = None
    faces: tuple[Annotated[int, Field(ge=0)], ...] | None = None
    face_names: tuple[Name, ...] | None = None
    feature: FeaturePick | None = None
    box: Box | None = None
    ball: Ball | None = None
    tube: Tube | None = None

    @model_validator(mode="after")
    def _one_way(self) -> RegionChoice:
        ways = ("core", "faces", "face_names", "feature", "box", "ball", "tube")
        given = [key for key in ways if getattr(self, key) is not None]
        if len(given) != 1:
            raise ValueError(f"give exactly one of {', '.join(ways)} (given: {given or 'none'})")
        return self

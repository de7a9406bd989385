"""What callers send and get about parts and revisions."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints
from pydantic.config import JsonDict

from api.uploads.schemas import EXAMPLE as UPLOAD_EXAMPLE
from api.uploads.schemas import UploadOut, upload_out
from shared.tables import Part, Revision
from shared.texts import check_visible
from shared.units import LengthUnit

UPLOAD_ID = "up_0b1c2d3e4f5a6b7c8d9e0f1a"
PART_ID = "part_5f0e1d2c3b4a59687786950a"
REVISION_ID = "rev_a1b2c3d4e5f60718293a4b5c"
PLAN_EXAMPLE: JsonDict = {
    "firstpour_plan": "1",
    "unit": "mm",
    "characteristics": [{"id": "C1", "kind": "surface_profile", "zone": 1.0}],
}
PlanIn = Annotated[
    dict[str, Any] | str,
    Field(description="Plan as an object, or as YAML or JSON text.", examples=[PLAN_EXAMPLE]),
]
VISIBLE = AfterValidator(check_visible)
Word = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80), VISIBLE]
Id = Annotated[str, StringConstraints(min_length=1, max_length=40), VISIBLE]
BODY_LIMIT = 64  # cores and other bodies of one part; a head has five to fifteen


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class BodyIn(_Strict):
    """A further solid in the part's own frame, such as a core."""

    name: Word = Field(examples=["intake_1"])
    role: Literal["core", "part"] = "core"
    upload_id: Id


class PartIn(_Strict):
    """A new part."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"name": "Two-cylinder head"}]})

    name: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200), VISIBLE]


class RevisionIn(_Strict):
    """A new revision: the nominal and what belongs to it."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "label": "B",
                    "nominal_upload_id": UPLOAD_ID,
                    "bodies": [{"name": "intake_1", "role": "core", "upload_id": UPLOAD_ID}],
                    "plan": PLAN_EXAMPLE,
                }
            ]
        }
    )

    label: Word
    nominal_upload_id: Id
    unit: LengthUnit | None = Field(default=None, description="Of a nominal that carries none (STL, OBJ, PLY).")
    bodies: Annotated[tuple[BodyIn, ...], Field(max_length=BODY_LIMIT)] = ()
    plan: PlanIn | None = None


PART_EXAMPLE: JsonDict = {
    "id": PART_ID,
    "name": "Two-cylinder head",
    "hold": False,
    "created_at": "2025-01-31T09:30:00Z",
    "links": {"self": f"/v1/parts/{PART_ID}", "revisions": f"/v1/parts/{PART_ID}/revisions"},
}
REVISION_EXAMPLE: JsonDict = {
    "id": REVISION_ID,
    "part_id": PART_ID,
    "label": "B",
    "unit": None,
    "nominal": UPLOAD_EXAMPLE,
    "bodies": [{"name": "intake_1", "role": "core", "upload_id": UPLOAD_ID}],
    "plan": PLAN_EXAMPLE,
    "created_at": "2025-01-31T09:30:00Z",
    "links": {
        "self": f"/v1/parts/{PART_ID}/revisions/{REVISION_ID}",
        "part": f"/v1/parts/{PART_ID}",
        "features": f"/v1/parts/{PART_ID}/revisions/{REVISION_ID}/features",
    },
}
PART_PAGE_EXAMPLE: JsonDict = {"items": [PART_EXAMPLE], "next_cursor": None}
REVISION_PAGE_EXAMPLE: JsonDict = {"items": [REVISION_EXAMPLE], "next_cursor": None}


class HoldIn(BaseModel):
    """Whether files are to be kept whatever their age."""

    model_config = ConfigDict(extra="forbid", frozen=True, json_schema_extra={"examples": [{"hold": True}]})

    hold: bool


class PartLinks(BaseModel):
    """Where to go on."""

    self: str
    revisions: str


class PartOut(BaseModel):
    """A part."""

    model_config = ConfigDict(json_schema_extra={"examples": [PART_EXAMPLE]})

    id: str
    name: str
    hold: bool = Field(description="Whether all files of it and of its inspections are kept whatever their age.")
    created_at: datetime
    links: PartLinks


class PartPage(BaseModel):
    """Parts, newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [PART_PAGE_EXAMPLE]})

    items: list[PartOut]
    next_cursor: str | None = Field(description="Cursor of the next page; null on the last.")


class RevisionLinks(BaseModel):
    """Where to go on."""

    self: str
    part: str
    features: str


class RevisionOut(BaseModel):
    """A revision."""

    model_config = ConfigDict(json_schema_extra={"examples": [REVISION_EXAMPLE]})

    id: str
    part_id: str
    label: str
    unit: LengthUnit | None
    nominal: UploadOut
    bodies: list[BodyIn]
    plan: dict[str, Any] | None
    created_at: datetime
    links: RevisionLinks


class RevisionPage(BaseModel):
    """Revisions of a part, newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [REVISION_PAGE_EXAMPLE]})

    items: list[RevisionOut]
    next_cursor: str | None = Field(description="Cursor of the next page; null on the last.")


def part_out(part: Part) -> PartOut:
    """A part as callers see it."""
    address = f"/v1/parts/{part.id}"
    links = PartLinks(self=address, revisions=f"{address}/revisions")
    return PartOut(id=part.id, name=part.name, hold=part.hold, created_at=part.created_at, links=links)


def revision_out(revision: Revision) -> RevisionOut:
    """A revision as callers see it."""
    part = f"/v1/parts/{revision.part_id}"
    address = f"{part}/revisions/{revision.id}"
    return RevisionOut(
        id=revision.id,
        part_id=revision.part_id,
        label=revision.label,
        unit=LengthUnit(revision.unit) if revision.unit else None,
        nominal=upload_out(revision.nominal),
        bodies=[BodyIn.model_validate(body) for body in revision.bodies],
        plan=revision.plan,
        created_at=revision.created_at,
        links=RevisionLinks(self=address, part=part, features=f"{address}/features"),
    )

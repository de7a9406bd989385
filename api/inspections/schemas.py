"""What callers send and get about inspections."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator
from pydantic.config import JsonDict

from api.parts.schemas import BODY_LIMIT, PLAN_EXAMPLE, REVISION_ID, UPLOAD_ID, VISIBLE, BodyIn, Id, PlanIn
from api.uploads.schemas import EXAMPLE as UPLOAD_EXAMPLE
from api.uploads.schemas import UploadOut, upload_out
from shared.states import InspectionState, Stage
from shared.tables import Inspection
from shared.units import LengthUnit

ID = "insp_9a8b7c6d5e4f30211203f4e5"
SCAN_ID = "up_aa1b2c3d4e5f60718293a4b5"
Title = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200), VISIBLE]
OutcomeWord = Literal["conforms", "does_not_conform", "not_proven", "not_aligned", "not_judged"]


class InspectionIn(BaseModel):
    """A scan against a revision, or against a nominal of its own."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        json_schema_extra={
            "examples": [
                {"revision_id": REVISION_ID, "scan_upload_id": SCAN_ID, "scan_unit": "mm"},
                {
                    "title": "First casting, serial 3",
                    "nominal_upload_id": UPLOAD_ID,
                    "scan_upload_id": SCAN_ID,
                    "scan_unit": "inch",
                    "bodies": [{"name": "intake_1", "role": "core", "upload_id": UPLOAD_ID}],
                    "plan": PLAN_EXAMPLE,
                },
            ]
        },
    )

    title: Title | None = Field(default=None, description="By default the names of the two files.")
    revision_id: Id | None = None
    nominal_upload_id: Id | None = None
    nominal_unit: LengthUnit | None = Field(default=None, description="Of a nominal that carries none.")
    bodies: Annotated[tuple[BodyIn, ...], Field(max_length=BODY_LIMIT)] = ()
    scan_upload_id: Id
    scan_unit: LengthUnit | None = Field(default=None, description="Of a scan that carries none: nearly all.")
    unit: LengthUnit | None = Field(default=None, description="Of every file here that carries none.")
    plan: PlanIn | None = Field(default=None, description="In place of the revision's, for this inspection.")

    @model_validator(mode="after")
    def _one_nominal(self) -> InspectionIn:
        if (self.revision_id is None) == (self.nominal_upload_id is None):
            raise ValueError("give either revision_id or nominal_upload_id")
        if self.revision_id is not None and (self.nominal_unit is not None or self.bodies):
            raise ValueError("nominal_unit and bodies belong to the revision; leave them out")
        return self


EXAMPLE: JsonDict = {
    "id": ID,
    "title": "head_scan.stl against head.step",
    "state": "running",
    "stage": "align",
    "progress": 0.35,
    "cancel_requested": False,
    "hold": False,
    "swept_at": None,
    "attempts": 1,
    "outcome": None,
    "headline": None,
    "error": None,
    "revision_id": REVISION_ID,
    "nominal": UPLOAD_EXAMPLE,
    "scan": UPLOAD_EXAMPLE,
    "nominal_unit": None,
    "scan_unit": "mm",
    "created_at": "2025-01-31T09:30:00Z",
    "started_at": "2025-01-31T09:30:01Z",
    "finished_at": None,
    "links": {
        "self": f"/v1/inspections/{ID}",
        "page": f"/inspections/{ID}",
        "events": f"/v1/inspections/{ID}/events",
        "cancel": f"/v1/inspections/{ID}/cancel",
        "report_json": None,
        "report_html": None,
    },
}
PAGE_EXAMPLE: JsonDict = {"items": [EXAMPLE], "next_cursor": None}


class Failure(BaseModel):
    """Why there is no report."""

    code: str = Field(examples=["file_truncated"])
    message: str = Field(examples=["head_scan.stl ends after 312 of 508,001 triangles."])
    advice: str = Field(examples=["Export or copy the file again."])
    data: dict[str, Any] = Field(default_factory=dict)


class InspectionLinks(BaseModel):
    """Where to go on; the report's are there when the report is."""

    self: str
    page: str
    events: str
    cancel: str | None
    report_json: str | None
    report_html: str | None


class InspectionOut(BaseModel):
    """An inspection: where it stands and what came of it."""

    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE]})

    id: str
    title: str
    state: InspectionState
    stage: Stage | None
    progress: float = Field(ge=0, le=1, description="Share of the work done.")
    cancel_requested: bool
    hold: bool = Field(description="Whether its files are kept whatever their age.")
    swept_at: datetime | None = Field(description="Since when its files are gone, at the end of their time.")
    attempts: int
    outcome: OutcomeWord | None
    headline: str | None = Field(description="The report in one sentence.")
    error: Failure | None = Field(description="Why it failed, when state is failed.")
    revision_id: str | None
    nominal: UploadOut
    scan: UploadOut
    nominal_unit: LengthUnit | None
    scan_unit: LengthUnit | None
    created_at: datetime
    started_at: datetime | None
    finished_at: datetime | None
    links: InspectionLinks


class InspectionPage(BaseModel):
    """Inspections, newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [PAGE_EXAMPLE]})

    items: list[InspectionOut]
    next_cursor: str | None = Field(description="Cursor of the next page; null on the last.")


def inspection_out(row: Inspection) -> InspectionOut:
    """An inspection as callers see it."""
    return InspectionOut(
        id=row.id,
        title=row.title,
        state=InspectionState(row.state),
        stage=Stage(row.stage) if row.stage else None,
        progress=row.progress,
        cancel_requested=row.cancel_requested,
        hold=row.hold,
        swept_at=row.swept_at,
        attempts=row.attempts,
        outcome=row.outcome,
        headline=row.headline,
        error=Failure.model_validate(row.error) if row.error else None,
        revision_id=row.revision_id,
        nominal=upload_out(row.nominal),
        scan=upload_out(row.scan),
        nominal_unit=LengthUnit(row.nominal_unit) if row.nominal_unit else None,
        scan_unit=LengthUnit(row.scan_unit) if row.scan_unit else None,
        created_at=row.created_at,
        started_at=row.started_at,
        finished_at=row.finished_at,
        links=_links(row),
    )


def _links(row: Inspection) -> InspectionLinks:
    address = f"/v1/inspections/{row.id}"
    has_report = row.report_key is not None and row.state == InspectionState.DONE and row.swept_at is None
    return InspectionLinks(
        self=address,
        page=f"/inspections/{row.id}",
        events=f"{address}/events",
        cancel=None if InspectionState(row.state).is_final else f"{address}/cancel",
        report_json=f"{address}/report.json" if has_report else None,
        report_html=f"{address}/report.html" if has_report else None,
    )

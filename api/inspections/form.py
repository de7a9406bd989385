"""The whole order in one multipart form: for curl, and for browsers without script."""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import Any

from fastapi import APIRouter, Request
from pydantic import ValidationError
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from api.admission import GuardedRoute
from api.backpressure import check_disk, check_queue
from api.idempotency import Claim, Key, claim_for
from api.inspections import service
from api.inspections.multipart import MEMORY_LIMIT_BYTES, Form, FormFile, FormLimits, read_form
from api.inspections.schemas import InspectionIn, InspectionOut, inspection_out
from api.jobs import classify, remind_workers
from api.negotiation import prefers_html
from api.problems import declared
from api.resources import Caller, NeedsResources, Resources, Writer
from api.uploads.receiving import keep_or_drop, refuse_beyond_quota
from api.uploads.service import keep_upload
from shared.errors import (
    FileEmpty,
    FileKindUnknown,
    FileTooLarge,
    IdempotencyKeyReused,
    JobQuotaReached,
    MediaTypeUnsupported,
    PlanInvalid,
    QueueFull,
    RequestInvalid,
    StorageFull,
    StorageQuotaReached,
    UnitMissing,
    UploadIncomplete,
)
from shared.settings import Settings
from shared.units import LengthUnit

router = APIRouter(route_class=GuardedRoute, prefix="/v1/inspections", tags=["inspections"])
TEXT_FIELDS = frozenset({"title", "unit", "nominal_unit", "scan_unit", "plan"})
UNITS = [unit.value for unit in LengthUnit]
UNIT_OF_FILE = "file"
BINARY = {"type": "string", "format": "binary"}
FORM_SCHEMA: dict[str, Any] = {
    "type": "object",
    "required": ["nominal", "scan"],
    "properties": {
        "nominal": {**BINARY, "description": "The CAD: STEP, or a mesh."},
        "scan": {**BINARY, "description": "The scan: a mesh or points."},
        "unit": {
            "type": "string",
            "enum": [*UNITS, UNIT_OF_FILE],
            "description": "Of every file that carries none; 'file' if all carry their own.",
        },
        "nominal_unit": {"type": "string", "enum": UNITS, "description": "In place of unit, for the nominal."},
        "scan_unit": {"type": "string", "enum": UNITS, "description": "In place of unit, for the scan."},
        "title": {"type": "string", "maxLength": 200},
        "plan": {"type": "string", "description": "Plan as YAML or JSON, as text or as a file."},
        "core": {
            "type": "array",
            "items": BINARY,
            "description": "Core solids, each named by its file; or send them as core.NAME, other bodies as part.NAME.",
        },
    },
}
FORM_EXAMPLE = {"nominal": "@head.step", "scan": "@scan.stl", "unit": "mm"}
FORM_BODY = {"required": True, "content": {"multipart/form-data": {"schema": FORM_SCHEMA, "example": FORM_EXAMPLE}}}


@router.post(
    "/form",
    status_code=202,
    response_model=InspectionOut,
    summary="Send both files and order an inspection",
    responses=declared(
        FileEmpty, FileKindUnknown, FileTooLarge, IdempotencyKeyReused, JobQuotaReached, MediaTypeUnsupported,
        PlanInvalid, QueueFull, RequestInvalid, StorageFull, StorageQuotaReached, UnitMissing, UploadIncomplete,
    ),
    openapi_extra={"requestBody": FORM_BODY},
)  # fmt: skip
async def create_from_form(request: Request, caller: Writer, resources: NeedsResources, key: Key = None) -> Response:
    """``curl -F nominal=@head.step -F scan=@scan.stl -F unit=mm http://127.0.0.1:8650/v1/inspections/form``."""
    await run_in_threadpool(_check_room, resources, caller, int(request.headers.get("content-length", "0")))
    limits = FormLimits(resources.settings.upload_limit_bytes, TEXT_FIELDS)
    form = await read_form(request.stream(), request.headers.get("content-type", ""), resources.store, limits)
    resources.metrics.upload_bytes.labels("form").inc(sum(file.stored.size_bytes for file in form.files))
    stored = [file.stored for file in form.files]
    answer = await run_in_threadpool(
        keep_or_drop,
        resources,
        stored,
        _claim(request, caller, key, form),
        lambda session: _order(session, caller, form, resources.settings),
        202,
    )
    if not answer.is_replayed:
        await run_in_threadpool(remind_workers, resources, answer.body["id"])
    if prefers_html(request):
        return RedirectResponse(answer.body["links"]["page"], status_code=303)
    return answer.response()


def _claim(request: Request, caller: Caller, key: str | None, form: Form) -> Claim:
    fields = sorted(f"{name}={text}" for name, text in form.fields.items())
    files = sorted(f"{file.field}={file.name}:{file.stored.sha256}" for file in form.files)
    return claim_for(request, caller, key, *fields, *files)


def _check_room(resources: Resources, caller: Caller, announced_bytes: int) -> None:
    """Before gigabytes are sent in vain."""
    check_disk(resources, announced_bytes)
    with resources.database.reading() as session:
        check_queue(session, resources.settings)
    files_bytes = max(0, announced_bytes - MEMORY_LIMIT_BYTES)  # less what may be text; counted exactly at the end
    refuse_beyond_quota(resources, caller, files_bytes)


def _order(session: Session, caller: Caller, form: Form, settings: Settings) -> dict[str, Any]:
    check_queue(session, settings)
    unknown = sorted(form.fields.keys() - TEXT_FIELDS)
    if unknown:
        raise RequestInvalid(
            f"The form has fields that mean nothing here: {', '.join(unknown)}.",
            advice=f"Fields are nominal, scan, core, {', '.join(sorted(TEXT_FIELDS))}.",
            faults=unknown,
        )
    nominal, scan = _only(form, "nominal"), _only(form, "scan")
    values = {
        "title": form.fields.get("title"),
        "plan": form.fields.get("plan"),
        "nominal_upload_id": keep_upload(session, caller, nominal.stored, nominal.name).id,
        "nominal_unit": form.fields.get("nominal_unit"),
        "scan_upload_id": keep_upload(session, caller, scan.stored, scan.name).id,
        "scan_unit": form.fields.get("scan_unit"),
        "unit": None if form.fields.get("unit") == UNIT_OF_FILE else form.fields.get("unit"),
        "bodies": [_body(session, caller, file) for file in form.files if file.field not in {"nominal", "scan"}],
    }
    try:
        wanted = InspectionIn.model_validate(values)
    except ValidationError as error:
        faults = [f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors()]
        raise RequestInvalid(
            f"The form cannot be used: {'; '.join(faults)}.", advice="Correct the fields named.", faults=faults
        ) from error
    row = service.create_inspection(session, caller, wanted)
    classify(session, settings, row)
    return inspection_out(row).model_dump(mode="json")


def _only(form: Form, field: str) -> FormFile:
    found = [file for file in form.files if file.field == field]
    if len(found) != 1:
        raise RequestInvalid(
            f"The form needs exactly one file named {field}; it has {len(found)}.",
            advice=f"Send the {'CAD' if field == 'nominal' else 'scan'} as field {field}.",
            field=field,
        )
    return found[0]


def _body(session: Session, caller: Caller, file: FormFile) -> dict[str, str]:
    role, _, name = file.field.partition(".")
    if role not in {"core", "part"}:
        raise RequestInvalid(
            f"The form has a file named {file.field}, which means nothing here.",
            advice="Files are nominal, scan, core, core.NAME and part.NAME.",
            field=file.field,
        )
    upload = keep_upload(session, caller, file.stored, file.name)
    return {"name": name or PurePosixPath(file.name).stem, "role": role, "upload_id": upload.id}

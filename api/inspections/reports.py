"""The report of an inspection, as JSON and as a page."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Request
from fastapi import Path as PathPart
from starlette.responses import FileResponse, Response

from api.admission import GuardedRoute
from api.inspections.service import attachment_path, get_inspection, report_path
from api.negotiation import prefers_html
from api.problems import declared
from api.resources import Caller, NeedsResources, Reader, Resources
from shared.csp import csp_for
from shared.errors import FileSwept, NotFound, ReportNotReady
from shared.report import REPORT_VERSION

router = APIRouter(route_class=GuardedRoute, prefix="/v1/inspections", tags=["inspections"])
MEDIA_TYPES = {"json": "application/json", "html": "text/html; charset=utf-8"}
AS_JSON: dict[str, Any] = {
    "application/json": {
        "schema": {"$ref": "/v1/schemas/report"},
        "example": {"report_version": REPORT_VERSION, "title": "First casting, serial 3"},
    }
}
AS_HTML: dict[str, Any] = {"text/html": {"example": "<!doctype html>..."}}
FileName = Annotated[str, PathPart(pattern=r"^[A-Za-z0-9._-]{1,160}$")]
POLICIES_KEPT = 64  # a policy is some hundred bytes; finding it means reading up to 15 MB


@router.get(
    "/{inspection_id}/report",
    response_class=FileResponse,
    summary="Read the report in the form you accept",
    responses={
        **declared(NotFound, FileSwept, ReportNotReady),
        200: {"content": {**AS_JSON, **AS_HTML}},
    },
)
def read_report(inspection_id: str, request: Request, caller: Reader, resources: NeedsResources) -> Response:
    """A page for a browser, JSON for everyone else."""
    kind = "html" if prefers_html(request) else "json"
    return report_response(_path(inspection_id, kind, caller, resources), kind, request)


@router.get(
    "/{inspection_id}/report.json",
    response_class=FileResponse,
    summary="Read the report as JSON",
    responses={
        **declared(NotFound, FileSwept, ReportNotReady),
        200: {"content": AS_JSON},
    },
)
def read_report_json(inspection_id: str, request: Request, caller: Reader, resources: NeedsResources) -> Response:
    """Its schema is at /v1/schemas/report."""
    return report_response(_path(inspection_id, "json", caller, resources), "json", request)


@router.get(
    "/{inspection_id}/report.html",
    response_class=FileResponse,
    summary="Read the report as a page",
    responses={**declared(NotFound, FileSwept, ReportNotReady), 200: {"content": AS_HTML}},
)
def read_report_html(inspection_id: str, request: Request, caller: Reader, resources: NeedsResources) -> Response:
    """One self-contained file, which may load nothing from anywhere."""
    return report_response(_path(inspection_id, "html", caller, resources), "html", request)


@router.get(
    "/{inspection_id}/files/{name}",
    response_class=FileResponse,
    summary="Fetch a file that goes with the report",
    responses={
        **declared(NotFound, FileSwept, ReportNotReady),
        200: {"content": {"application/octet-stream": {"example": "x_mm,y_mm,z_mm,room_mm"}}},
    },
)
def read_attachment(inspection_id: str, name: FileName, caller: Reader, resources: NeedsResources) -> Response:
    """Maps and lists to take along, by the path that the report gives: always a download, never shown in place."""
    with resources.database.reading() as session:
        path = attachment_path(resources.store, get_inspection(session, caller, inspection_id), name)
    return attachment_response(path)


def attachment_response(path: Path) -> Response:
    """A file that goes with a report."""
    headers = {"Cache-Control": "private, no-cache", "X-Content-Type-Options": "nosniff"}
    return FileResponse(path, media_type="application/octet-stream", filename=path.name, headers=headers)


def report_response(path: Path, kind: str, request: Request, *, framed_by: str = "'none'") -> Response:
    """A report as a page or as JSON, or that the caller has it already.

    framed_by : who may show the page inside another (CSP Level 3, frame-ancestors)
    """
    headers = {"Cache-Control": "private, no-cache", "Vary": "Accept"}
    if kind == "html":
        headers["Content-Security-Policy"] = f"{_policy(path)}; frame-ancestors {framed_by}"
    answer = FileResponse(path, media_type=MEDIA_TYPES[kind], headers=headers, stat_result=path.stat())
    if answer.headers["etag"] in request.headers.get("if-none-match", "").split(", "):
        return Response(status_code=304, headers={**headers, "ETag": answer.headers["etag"]})
    return answer


def _path(inspection_id: str, kind: str, caller: Caller, resources: Resources) -> Path:
    with resources.database.reading() as session:
        return report_path(resources.store, get_inspection(session, caller, inspection_id), kind)


@lru_cache(maxsize=POLICIES_KEPT)
def _policy(path: Path) -> str:
    """A published report never changes, so neither does its policy."""
    return csp_for(path.read_text(encoding="utf-8"))

"""The published schemas of plan, report and list of features."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from api.admission import GuardedRoute
from api.resources import Public
from shared.feature_list import FeatureList
from shared.plan import Plan
from shared.report import Report
from shared.schemas import schema_text

router = APIRouter(route_class=GuardedRoute, prefix="/v1/schemas", tags=["schemas"], dependencies=[Public])
MEDIA_TYPE = "application/schema+json"
DOCUMENT: dict[int | str, dict[str, Any]] = {
    200: {"content": {MEDIA_TYPE: {"schema": {"type": "object"}, "example": {"title": "Plan"}}}}
}


@router.get("/plan", response_class=Response, summary="JSON Schema of a plan", responses=DOCUMENT)
def plan_schema() -> Response:
    """What ``plan`` must look like, as YAML or JSON."""
    return Response(schema_text(Plan), media_type=MEDIA_TYPE)


@router.get("/report", response_class=Response, summary="JSON Schema of a report", responses=DOCUMENT)
def report_schema() -> Response:
    """What report.json looks like."""
    return Response(schema_text(Report), media_type=MEDIA_TYPE)


@router.get("/features", response_class=Response, summary="JSON Schema of a list of features", responses=DOCUMENT)
def features_schema() -> Response:
    """What the list of a revision's features looks like."""
    return Response(schema_text(FeatureList), media_type=MEDIA_TYPE)

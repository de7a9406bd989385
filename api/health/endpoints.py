"""Health and metrics."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from starlette.responses import PlainTextResponse

from api.admission import GuardedRoute
from api.health.schemas import Live, Ready
from api.health.service import check_may_read_metrics, readiness
from api.problems import declared
from api.resources import NeedsResources, Public
from shared.errors import Unauthenticated

router = APIRouter(route_class=GuardedRoute, tags=["health"], dependencies=[Public])


@router.get("/v1/health/live", response_model=Live, summary="Does the process answer?")
async def live() -> Live:
    """Touches nothing."""
    return Live()


@router.get(
    "/v1/health/ready",
    response_model=Ready,
    summary="Can work be taken?",
    responses={503: {"model": Ready, "description": "Something needed is missing"}},
)
def ready(response: Response, resources: NeedsResources) -> Ready:
    """Database, file store and broker, each by name."""
    found = readiness(resources)
    response.status_code = 200 if found.is_ready else 503
    return found


@router.get(
    "/metrics",
    response_class=PlainTextResponse,
    summary="Figures for Prometheus",
    responses={
        **declared(Unauthenticated),
        200: {"content": {"text/plain": {"example": 'firstpour_inspections{state="queued"} 2.0'}}},
    },
)
def metrics(request: Request, resources: NeedsResources) -> Response:
    """Requests by route template, inspections by state, bytes received.

    They count all workspaces, so where keys are used they are for who has FIRSTPOUR_METRICS_TOKEN.
    """
    check_may_read_metrics(resources.settings, request.headers.get("authorization", ""))
    return Response(generate_latest(resources.metrics.registry), media_type=CONTENT_TYPE_LATEST)

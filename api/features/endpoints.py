"""Features: list those of a revision, draft a plan from them."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response

from api.admission import GuardedRoute
from api.features import service
from api.features.schemas import DraftQuery, FeaturesOut, features_out
from api.problems import declared
from api.resources import NeedsResources, Reader
from shared.drafting import DraftChoices, draft_plan
from shared.errors import FeaturesNotReady, NotFound, QueueFull, RequestInvalid

router = APIRouter(route_class=GuardedRoute, prefix="/v1/parts/{part_id}/revisions/{revision_id}", tags=["features"])
RETRY_AFTER_S = 2
YAML = "text/yaml; charset=utf-8"
DRAFT: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/yaml": {"schema": {"type": "string"}, "example": 'firstpour_plan: "1"\nunit: mm\n'}}}
}


@router.get(
    "/features",
    response_model=FeaturesOut,
    summary="List the features of a revision",
    responses=declared(NotFound, QueueFull),
)
def list_features(
    part_id: str, revision_id: str, caller: Reader, resources: NeedsResources, response: Response
) -> FeaturesOut:
    """Planes, holes, bosses, cones, spheres, slots and patterns with the ids that a plan points at.

    They are found by a worker after the revision was made; until then Retry-After says when to ask again.
    """
    revision, row = service.detection_of(resources, caller, part_id, revision_id)
    found = features_out(revision, row, service.read_list(resources.store, row))
    if found.state in {"queued", "running"}:
        response.headers["Retry-After"] = str(RETRY_AFTER_S)
    return found


@router.get(
    "/plan-draft",
    response_class=Response,
    summary="Draft a plan for a revision",
    responses={**declared(NotFound, FeaturesNotReady, QueueFull, RequestInvalid), **DRAFT},
)
def draft_plan_of(
    part_id: str,
    revision_id: str,
    caller: Reader,
    resources: NeedsResources,
    choices: Annotated[DraftQuery, Query()],
) -> Response:
    """A starting plan as commented YAML, guessed from the features of the CAD: yours to correct, not to trust."""
    _, row = service.detection_of(resources, caller, part_id, revision_id)
    listed = service.ready_list(resources.store, row)
    wanted = DraftChoices(general=choices.general, kind=choices.kind, unit=choices.unit)
    return Response(draft_plan(listed, wanted), media_type=YAML)

"""Features: list those of a revision, draft a plan from them."""

from __future__ import annotations

from fastapi import APIRouter, Response

from api.features import service
from api.features.schemas import FeaturesOut, features_out
from api.problems import declared
from api.resources import NeedsResources
from shared.errors import NotFound

router = APIRouter(prefix="/v1/parts/{part_id}/revisions/{revision_id}", tags=["features"])
RETRY_AFTER_S = 2


@router.get(
    "/features",
    response_model=FeaturesOut,
    summary="List the features of a revision",
    responses=declared(NotFound),
)
def list_features(part_id: str, revision_id: str, resources: NeedsResources, response: Response) -> FeaturesOut:
    """Planes, holes, bosses, cones, spheres, slots and patterns with the ids that a plan points at.

    They are found by a worker after the revision was made; until then Retry-After says when to ask again.
    """
    revision, row = service.detection_of(resources, part_id, revision_id)
    found = features_out(revision, row, service.read_list(resources.store, row))
    if found.state in {"queued", "running"}:
        response.headers["Retry-After"] = str(RETRY_AFTER_S)
    return found

"""Repeatability: several inspections of one piece compared."""

from __future__ import annotations

from fastapi import APIRouter

from api.admission import GuardedRoute
from api.problems import declared
from api.repeatability import service
from api.repeatability.schemas import RepeatabilityIn, RepeatabilityOut
from api.resources import NeedsResources, Reader
from shared.errors import FileSwept, NotFound, ReportNotReady, RequestInvalid, RequestTooLarge

router = APIRouter(route_class=GuardedRoute, prefix="/v1/repeatability", tags=["repeatability"])


@router.post(
    "",
    response_model=RepeatabilityOut,
    summary="Compare several inspections of one piece",
    responses=declared(NotFound, FileSwept, ReportNotReady, RequestInvalid, RequestTooLarge),
)
def compare_inspections(wanted: RepeatabilityIn, caller: Reader, resources: NeedsResources) -> RepeatabilityOut:
    """Mean, spread and uncertainty by repeatability of each characteristic.

    With the values of a calibrated piece also its bias and the uncertainty by substitution (ISO 15530-3).
    Nothing is kept: the same inspections give the same answer.
    """
    return service.compare(resources, caller, wanted)

"""Repeatability from the stored reports of finished inspections."""

from __future__ import annotations

import json
from typing import Any

from api.inspections.service import get_inspection, report_path
from api.repeatability.schemas import RepeatabilityIn, RepeatabilityOut
from api.resources import Caller, Resources
from shared.errors import RequestInvalid
from shared.repeatability import Calibrated, repeatability, substitution


def compare(resources: Resources, caller: Caller, wanted: RepeatabilityIn) -> RepeatabilityOut:
    """What these inspections show together; raises NotFound, ReportNotReady, FileSwept, RequestInvalid."""
    found = repeatability(_reports(resources, caller, wanted.inspection_ids))
    piece = wanted.calibrated
    if piece is None:
        return RepeatabilityOut(repeatability=found, substitution=None)
    values = [Calibrated(**value.model_dump()) for value in piece.values]
    return RepeatabilityOut(repeatability=found, substitution=substitution(found, values, cycle_count=piece.cycles))


def _reports(resources: Resources, caller: Caller, inspection_ids: tuple[str, ...]) -> dict[str, dict[str, Any]]:
    doubled = sorted({name for name in inspection_ids if inspection_ids.count(name) > 1})
    if doubled:
        raise RequestInvalid(
            f"Inspection given twice: {', '.join(doubled)}.", advice="Give each inspection once.", ids=doubled
        )
    with resources.database.reading() as session:
        rows = [get_inspection(session, caller, name) for name in inspection_ids]
        paths = {row.id: report_path(resources.store, row, "json") for row in rows}
    return {name: json.loads(path.read_bytes()) for name, path in paths.items()}

"""What the pages show: words and shapes for states and outcomes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from api.inspections.schemas import InspectionOut
from api.resources import Caller
from shared.access import Scope
from shared.states import InspectionState, Stage

OUTCOME_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "conforms": "conforms",
        "does_not_conform": "does not conform",
        "not_proven": "not proven",
        "not_aligned": "not aligned",
        "not_judged": "measured, not judged",
    }
)
STATE_WORDS: Mapping[InspectionState, str] = MappingProxyType(
    {
        InspectionState.QUEUED: "waiting",
        InspectionState.RUNNING: "running",
        InspectionState.DONE: "done",
        InspectionState.FAILED: "failed",
        InspectionState.CANCELLED: "cancelled",
    }
)
STAGE_LABELS: Mapping[Stage, tuple[str, str]] = MappingProxyType(
    {
        Stage.READ: ("Read", "Reading the files"),
        Stage.ALIGN: ("Align", "Aligning the scan to the CAD"),
        Stage.DEVIATION: ("Deviation", "Measuring deviations"),
        Stage.THICKNESS: ("Walls", "Measuring walls"),
        Stage.JUDGE: ("Judge", "Judging the plan"),
        Stage.REPORT: ("Report", "Writing the report"),
    }
)


@dataclass(frozen=True)
class StageShown:
    """One step of the work; ``standing`` is past-stage, current or empty."""

    name: str
    label: str
    standing: str


def for_caller(caller: Caller) -> dict[str, Any]:
    """What depends on who looks: the key to sign out of, if one is used, and whether there is anything to send with."""
    return {"signed_in": caller.name if caller.key_id else None, "may_write": Scope.WRITE in caller.scopes}


def shown(inspection: InspectionOut) -> dict[str, Any]:
    """An inspection as the templates take it."""
    outcome = inspection.outcome if inspection.state == InspectionState.DONE else None
    share = f", {inspection.progress:.0%}" if inspection.state == InspectionState.RUNNING else ""
    return {
        **inspection.model_dump(mode="json"),
        "is_final": inspection.state.is_final,
        "shape": outcome or _state_shape(inspection.state),
        "word": OUTCOME_WORDS[outcome] if outcome else STATE_WORDS[inspection.state] + share,
        "now": _now(inspection),
        "shown_time": f"{inspection.created_at:%Y-%m-%d %H:%M} UTC",
    }


def stages(inspection: InspectionOut) -> list[StageShown]:
    """All steps, and where this inspection stands among them."""
    order = list(STAGE_LABELS)
    current = order.index(inspection.stage) if inspection.stage else -1
    return [StageShown(stage.value, STAGE_LABELS[stage][0], _standing(at, current)) for at, stage in enumerate(order)]


def _standing(at: int, current: int) -> str:
    if at == current:
        return "current"
    return "past-stage" if at < current else ""


def _state_shape(state: InspectionState) -> str:
    return "not_judged" if state == InspectionState.DONE else state.value


def _now(inspection: InspectionOut) -> str:
    if inspection.cancel_requested:
        return "Cancelling"
    if inspection.state == InspectionState.QUEUED:
        return "Waiting for a worker"
    return STAGE_LABELS[inspection.stage][1] if inspection.stage else "Starting"

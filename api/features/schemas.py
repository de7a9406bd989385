"""What callers get about the features of a revision."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict

from api.inspections.schemas import Failure
from api.parts.schemas import PART_ID, REVISION_ID
from shared.feature_list import FeatureList
from shared.plan import PieceKind
from shared.states import InspectionState
from shared.tables import FeatureDetection, Revision
from shared.units import LengthUnit

StateWord = Literal["queued", "running", "failed", "ready"]
WORDS: dict[InspectionState, StateWord] = {
    InspectionState.QUEUED: "queued",
    InspectionState.RUNNING: "running",
    InspectionState.FAILED: "failed",
    InspectionState.CANCELLED: "failed",
    InspectionState.DONE: "ready",
}
ADDRESS = f"/v1/parts/{PART_ID}/revisions/{REVISION_ID}"
EXAMPLE: JsonDict = {
    "state": "ready",
    "error": None,
    "features": {
        "features_version": "1",
        "file": "head.step",
        "unit": "mm",
        "is_brep": True,
        "minimum_mm": [0.0, 0.0, 0.0],
        "maximum_mm": [160.0, 140.0, 90.0],
        "features": [
            {
                "id": "hole-3",
                "kind": "hole",
                "name": None,
                "faces": [17],
                "point_mm": [20.0, 20.0, 45.0],
                "direction": [0.0, 0.0, 1.0],
                "radius_mm": 5.5,
                "half_angle_rad": None,
                "ends_mm": [[20.0, 20.0, 0.0], [20.0, 20.0, 90.0]],
                "depth_mm": 90.0,
                "is_internal": True,
                "is_through": True,
                "arc_rad": 6.283185307,
                "width_mm": None,
                "length_mm": None,
                "length_direction": None,
                "members": [],
                "pattern": None,
                "area_mm2": 3110.2,
                "form_mm": 0.0,
                "minimum_mm": [14.5, 14.5, 0.0],
                "maximum_mm": [25.5, 25.5, 90.0],
            }
        ],
    },
    "links": {
        "self": f"{ADDRESS}/features",
        "revision": ADDRESS,
        "plan_draft": f"{ADDRESS}/plan-draft",
    },
}


class DraftQuery(BaseModel):
    """What whoever asks for a plan knows."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    general: Annotated[
        str, Field(max_length=40, description="Class of general tolerances, such as 'ISO 8062-3 DCTG 10'.")
    ] = "ISO 2768-m"
    unit: LengthUnit = LengthUnit.MILLIMETRE
    kind: PieceKind = PieceKind.CASTING


class FeaturesLinks(BaseModel):
    """Where to go on; the draft is there when the features are."""

    self: str
    revision: str
    plan_draft: str | None


class FeaturesOut(BaseModel):
    """Features of a revision's nominal, or how far finding them is."""

    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE]})

    state: StateWord
    error: Failure | None = Field(description="Why there is no list, when state is failed.")
    features: FeatureList | None = Field(description="There when state is ready.")
    links: FeaturesLinks


def features_out(revision: Revision, row: FeatureDetection, features: FeatureList | None) -> FeaturesOut:
    """The features as callers see them."""
    address = f"/v1/parts/{revision.part_id}/revisions/{revision.id}"
    state = WORDS[InspectionState(row.state)]
    draft = f"{address}/plan-draft" if state == "ready" else None
    return FeaturesOut(
        state=state,
        error=Failure.model_validate(row.error) if row.error else None,
        features=features,
        links=FeaturesLinks(self=f"{address}/features", revision=address, plan_draft=draft),
    )

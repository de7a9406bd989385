"""What callers send and get about repeatability."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict

from api.parts.schemas import Id
from shared.repeatability import Repeatability, Substitutions

FIRST_ID, SECOND_ID = "insp_9a8b7c6d5e4f30211203f4e5", "insp_0a1b2c3d4e5f60718293a4b5"
INSPECTION_LIMIT = 100  # five times what the standard asks for; each report is a few MB to read
IN_EXAMPLE: JsonDict = {
    "inspection_ids": [FIRST_ID, SECOND_ID],
    "calibrated": {"cycles": 10, "values": [{"id": "bore3.d", "value": 30.0021, "expanded_uncertainty": 0.0012}]},
}
OUT_EXAMPLE: JsonDict = {
    "repeatability": {
        "reports": [FIRST_ID, SECOND_ID],
        "lines": [
            {
                "id": "bore3.d",
                "title": "Bore 3 diameter",
                "unit": "mm",
                "n": 2,
                "mean": 30.012,
                "standard_deviation": 0.0042,
                "range": 0.006,
                "dof": 1,
                "k": 12.71,
                "U": 0.0534,
                "largest_stated_U": 0.018,
                "missing": {},
            }
        ],
        "notes": [],
    },
    "substitution": {
        "lines": [
            {
                "id": "bore3.d",
                "unit": "mm",
                "n": 2,
                "bias": 0.0099,
                "u_cal": 0.0006,
                "u_p": 0.0042,
                "u_b": 0.003,
                "u_w": 0.0,
                "U": 0.0104,
            }
        ],
        "unmet": ["fewer than 20 measurements: bore3.d (2)"],
    },
}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class CalibratedValue(_Strict):
    """A calibrated value in the unit of the report (mm, percent, deg); its uncertainty at k = 2."""

    id: Annotated[str, Field(min_length=1, max_length=40, description="Of the characteristic.")]
    value: float
    expanded_uncertainty: Annotated[float, Field(ge=0)]
    workpiece_u: Annotated[float, Field(ge=0, description="Standard uncertainty u_w of ISO 15530-3.")] = 0.0
    bias_u: Annotated[float, Field(ge=0, description="Standard uncertainty u_b; by default s / sqrt(n).")] | None = None


class CalibratedPiece(_Strict):
    """A calibrated piece, scanned again and again (ISO 15530-3)."""

    cycles: Annotated[int, Field(ge=1, description="How often it was set up anew.")] | None = None
    values: Annotated[tuple[CalibratedValue, ...], Field(min_length=1, max_length=1000)]


class RepeatabilityIn(_Strict):
    """Finished inspections of one piece against one nominal by one plan."""

    model_config = ConfigDict(json_schema_extra={"examples": [IN_EXAMPLE]})

    inspection_ids: Annotated[tuple[Id, ...], Field(min_length=2, max_length=INSPECTION_LIMIT)]
    calibrated: CalibratedPiece | None = None


class RepeatabilityOut(BaseModel):
    """Spread of each characteristic, and its bias where the piece is calibrated."""

    model_config = ConfigDict(json_schema_extra={"examples": [OUT_EXAMPLE]})

    repeatability: Repeatability
    substitution: Substitutions | None = Field(description="What a plan's substitution can take over.")

"""What all parts of a plan share."""

from __future__ import annotations

from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from shared.plan.glossary import meaning

LENGTH_FIELDS = frozenset(
    {
        "expanded_uncertainty",
        "tolerance",
        "thin_wall",
        "minimum",
        "maximum",
        "centre",
        "radius",
        "start",
        "end",
        "zone",
        "outside",
        "least",
        "most",
        "point",
        "zone_diameter",
        "lower_deviation",
        "upper_deviation",
        "nominal",
        "bias",
        "required",
        "start_travel",
        "end_travel",
        "diameter",
        "part_point",
        "travel",
        "translation",
        "offset",
        "diameter_change",
        "clamp_length",
        "head_diameter",
        "depth",
        "spacing",
        "edge",
        "stem_diameter",
        "seat_width",
        "throat_diameter",
        "lifts",
    }
)  # every field that is in the plan's unit; all other numbers are percents, degrees, kelvin, counts and face numbers
Vector = tuple[float, float, float]
Name = Annotated[str, Field(min_length=1, max_length=80)]
ModelT = TypeVar("ModelT", bound=BaseModel)


def explain(schema: dict[str, Any], model: type[BaseModel]) -> None:
    """Say in a model's JSON Schema what each field means, and which are lengths."""
    for field, written in schema.get("properties", {}).items():
        text = meaning(model.__name__, field)
        is_told = field not in LENGTH_FIELDS or "unit" in text
        written["description"] = text if is_told else f"{text} In the plan's unit."


class Strict(BaseModel):
    """No unknown key, no change after reading, no NaN."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, json_schema_extra=explain)


def in_mm(model: ModelT, mm: float) -> ModelT:
    """The same model, at any depth, with every length times ``mm``."""
    changes: dict[str, object] = {}
    for name in type(model).model_fields:
        value = getattr(model, name)
        if isinstance(value, BaseModel):
            changes[name] = in_mm(value, mm)
        elif isinstance(value, tuple) and any(isinstance(part, BaseModel) for part in value):
            changes[name] = tuple(in_mm(part, mm) for part in value)
        elif name in LENGTH_FIELDS and value is not None:
            changes[name] = tuple(mm * part for part in value) if isinstance(value, tuple) else mm * value
    return model.model_copy(update=changes)

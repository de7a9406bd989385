from __future__ import annotations

from collections.abc import Iterator
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from shared.plan import LENGTH_FIELDS, Box, FeaturePick, MapSettings, Plan, Scanner
from shared.plan_reading import parse_plan
from shared.units import LengthUnit
from tests.support.plans import FULL_PLAN

NO_LENGTH = {
    # words, choices, names
    "firstpour_plan", "title", "unit", "id", "kind", "name", "letter", "serial", "alloy", "material", "statement",
    "method", "association", "condition", "of", "axis", "direction", "reference", "general", "general_tolerance", "fit",
    "grade", "region", "toward", "preset", "frame", "datum", "core", "shrink_removed",
    # models within models, told apart below
    "section", "sibling_section",
    "piece", "scanner", "temperature", "uncertainty", "maps", "alignment", "datums", "frames", "regions",
    "characteristics", "substitution", "feature", "first", "second", "width", "targets", "box", "ball", "tube",
    # numbers that are no lengths: counts, percents, degrees, kelvin, directions
    "most_degrees",
    "face", "faces", "face_name", "face_names", "draws", "shrink_allowance_percent", "lower_percent", "upper_percent",
    "lower_degrees", "upper_degrees", "celsius", "expanded_uncertainty_kelvin", "expansion_ppm_per_kelvin",
    "expansion_expanded_uncertainty_percent", "normal", "walls",
    "least_mm2", "most_mm2", "lower_mm3", "upper_mm3", "valve", "flow", "seat_angle_degrees", "discharge_coefficient",
    "pressure_inches_of_water",
    "sibling", "mirror", "plane", "openings", "lower_cc", "upper_cc",
    # what to try: moves, whom to ask, directions, degrees
    "what_if", "solve", "moves", "lines", "ask_of", "body", "freedoms", "rotation_axis", "rotation_degrees",
    # the mock-up: parts, places, motions, degrees
    "mock_up", "place", "transform", "mates", "holes", "seat", "part", "against", "motion", "moving", "rotation",
    "slide",
    "from_degrees", "to_degrees",
    # fasteners
    "thread", "joint", "strength_internal_mpa", "strength_external_mpa", "features", "closed", "required_count",
}  # fmt: skip
INCH = 25.4


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from models_in(part)


def models_of_a_plan() -> dict[str, type[BaseModel]]:
    found: dict[str, type[BaseModel]] = {}
    waiting: list[type[BaseModel]] = [Plan]
    while waiting:
        model = waiting.pop()
        if model.__name__ not in found:
            found[model.__name__] = model
            waiting += [inner for field in model.model_fields.values() for inner in models_in(field.annotation)]
    return found


MODELS = models_of_a_plan()


def test_all_models_are_looked_at() -> None:
    assert len(MODELS) >= 36
    assert {"DatumTarget", "FeaturePick", "LineProfile", "Substitution", "Temperature"} <= set(MODELS)


@pytest.mark.parametrize("model", MODELS.values(), ids=MODELS)
def test_every_number_of_a_plan_is_known_to_be_a_length_or_not(model: type[BaseModel]) -> None:
    assert set(model.model_fields) <= LENGTH_FIELDS | NO_LENGTH


def test_no_field_is_both_and_none_is_forgotten() -> None:
    used = {name for model in MODELS.values() for name in model.model_fields}
    assert not LENGTH_FIELDS & NO_LENGTH
    assert used == LENGTH_FIELDS | NO_LENGTH


FULL = parse_plan(FULL_PLAN, "full.yaml")
FULL_MM = FULL.to_mm()


def test_general_settings_become_millimetres() -> None:
    assert FULL_MM.unit is LengthUnit.MILLIMETRE
    assert FULL_MM.scanner == Scanner(expanded_uncertainty=0.001 * INCH, statement="acceptance test")
    assert FULL_MM.maps == MapSettings(tolerance=0.02 * INCH, thin_wall=0.16 * INCH)
    assert (FULL_MM.piece, FULL_MM.temperature, FULL_MM.uncertainty) == (FULL.piece, FULL.temperature, FULL.uncertainty)


def test_places_become_millimetres() -> None:
    assert FULL_MM.regions[4].box == Box(minimum=(0, 0, 0), maximum=(INCH, INCH, INCH))
    assert FULL_MM.regions[1].faces == (3, 4)
    targets = FULL_MM.datums[3].targets
    assert targets is not None
    assert (targets[0].point, targets[0].radius, targets[1].radius) == ((0, 0, INCH), 0.1 * INCH, None)


@pytest.mark.parametrize(
    ("line", "lengths"),
    [
        ("C2", {"lower_deviation": -0.005, "upper_deviation": 0.005, "nominal": 0.5}),
        ("C13", {"zone_diameter": 0.014}),
        ("C18", {"zone": 0.04, "outside": 0.03}),
        ("C20", {"least": 0.16}),
        ("C22", {"most": 0.2}),
        ("C23", {"required": 0.08}),
        ("C24", {"most": 0.03}),
    ],
)
def test_lengths_of_a_line_become_millimetres(line: str, lengths: dict[str, float]) -> None:
    found = next(one for one in FULL_MM.characteristics if one.id == line).model_dump()
    assert {key: found[key] for key in lengths} == pytest.approx({key: INCH * value for key, value in lengths.items()})


def test_a_point_that_picks_a_feature_becomes_millimetres() -> None:
    line = next(one for one in FULL_MM.characteristics if one.id == "C3")
    assert line.model_dump()["second"] == FeaturePick(point=(0, 0, INCH)).model_dump()


@pytest.mark.parametrize("line", ["C5", "C25"])
def test_degrees_and_percents_stay(line: str) -> None:
    assert [one for one in FULL_MM.characteristics if one.id == line] == [
        one for one in FULL.characteristics if one.id == line
    ]


def test_a_direction_stays_and_its_point_does_not() -> None:
    found = next(one for one in FULL_MM.characteristics if one.id == "C19").model_dump()
    assert (found["normal"], found["point"]) == ((0, 0, 1), (0, 0, INCH))


@pytest.mark.parametrize(("line", "factor"), [("C1", INCH), ("C5", 1), ("C25", 1)])
def test_a_bias_has_the_unit_of_its_characteristic(line: str, factor: float) -> None:
    entry = {"id": line, "bias": 0.5, "expanded_uncertainty": 0.25}
    plan = Plan.model_validate(FULL.model_dump() | {"substitution": [entry]}).to_mm()
    assert (plan.substitution[0].bias, plan.substitution[0].expanded_uncertainty) == (0.5 * factor, 0.25 * factor)


def test_a_plan_in_millimetres_stays_as_it_is() -> None:
    plan = Plan(firstpour_plan="1")
    assert plan.to_mm() is plan
    assert FULL_MM.to_mm() is FULL_MM

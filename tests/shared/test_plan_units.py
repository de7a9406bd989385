from __future__ import annotations

from typing import get_args

from pydantic import BaseModel

from shared.plan import LENGTH_FIELDS, AnyCharacteristic, Ball, Box, MapSettings, Plan, RegionChoice, Scanner, Tube
from shared.units import LengthUnit

NO_LENGTH = {
    "id", "title", "kind", "region", "toward", "axis", "shrink_removed", "face", "faces", "face_names", "core", "name",
    "lower_percent", "upper_percent", "statement", "box", "ball", "tube",
}  # fmt: skip


def test_lengths_of_an_inch_plan_become_millimetres_and_percents_stay() -> None:
    plan = Plan.model_validate(
        {
            "firstpour_plan": "1",
            "unit": "inch",
            "piece": {"shrink_allowance_percent": 1.3},
            "scanner": {"expanded_uncertainty": 0.001},
            "maps": {"tolerance": 0.01},
            "regions": [{"name": "a", "box": {"minimum": [0, 0, 0], "maximum": [1, 2, 3]}}],
            "characteristics": [
                {"id": "p", "kind": "hole_position", "point": [1, 2, 3], "zone_diameter": 0.02},
                {"id": "s", "kind": "shrink", "lower_percent": 1.0, "upper_percent": 1.5},
            ],
        }
    ).to_mm()
    assert plan.unit is LengthUnit.MILLIMETRE
    assert plan.piece.shrink_allowance_percent == 1.3
    assert plan.scanner == Scanner(expanded_uncertainty=0.001 * 25.4)
    assert plan.maps == MapSettings(tolerance=0.01 * 25.4)
    assert plan.regions[0].box == Box(minimum=(0, 0, 0), maximum=(25.4, 50.8, 3 * 25.4))
    hole, shrink = (line.model_dump() for line in plan.characteristics)
    assert (hole["point"], hole["zone_diameter"]) == ((25.4, 50.8, 3 * 25.4), 0.02 * 25.4)
    assert (shrink["lower_percent"], shrink["upper_percent"]) == (1.0, 1.5)


def test_a_plan_in_millimetres_stays_as_it_is() -> None:
    plan = Plan(firstpour_plan="1")
    assert plan.to_mm() is plan


def test_every_number_of_a_plan_is_known_to_be_a_length_or_not() -> None:
    models: list[type[BaseModel]] = [Box, Ball, Tube, RegionChoice, Scanner, MapSettings]
    models += get_args(get_args(AnyCharacteristic)[0])
    fields = {name for model in models for name in model.model_fields}
    assert fields <= LENGTH_FIELDS | NO_LENGTH
    assert not LENGTH_FIELDS & NO_LENGTH

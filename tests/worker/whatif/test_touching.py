from __future__ import annotations

from typing import Any

import pytest

from shared.plan import Scenario
from tests.support.whatif_plate import BACK, BORE_1, BORE_2, FRONT, LEFT, measured_plate, whatif_plan
from worker.whatif.parts import steps_of
from worker.whatif.scenarios import picked_by_id
from worker.whatif.touching import is_untouched

ABC = {"datums": [{"letter": "A", "feature": LEFT}, {"letter": "B", "feature": BORE_1}], "frames": [
    {"name": "AB", "datums": ["A", "B"]}, {"name": "A only", "datums": ["A"]},
]}  # fmt: skip
FAR: dict[str, Any] = {"kind": "distance", "first": FRONT, "second": BACK, "nominal": 40.0, "upper_deviation": 0.1}
PLACE: dict[str, Any] = {"kind": "position", "feature": BORE_2, "zone_diameter": 0.2}
CASES: list[tuple[dict[str, Any], bool]] = [
    (FAR, True),
    (FAR | {"second": BORE_1}, False),
    (PLACE, True),
    (PLACE | {"feature": BORE_1}, False),
    (PLACE | {"frame": "A only"}, True),
    (PLACE | {"frame": "AB"}, False),  # the bore that moves is its second datum
    ({"kind": "wall_between", "region": "pocket end", "toward": "far end", "least": 3.0}, True),
    ({"kind": "wall_between", "region": "bore", "toward": "far end", "least": 3.0}, False),
    ({"kind": "rod_passage", "start": [42, 20, -5], "end": [42, 20, 20], "diameter": 9, "least": 0.1}, False),
    ({"kind": "surface_profile", "zone": 0.2}, False),  # of the whole piece
]


@pytest.mark.parametrize(("line", "expected"), CASES, ids=lambda part: str(part)[:60])
def test_only_lines_that_speak_of_what_stays_are_left_alone(line: dict[str, Any], expected: bool) -> None:
    plan = picked_by_id(whatif_plan({"id": "it", **line}, **ABC), measured_plate())
    move = {"feature": BORE_1, "translation": [0.1, 0, 0]}
    steps = steps_of(Scenario.model_validate({"name": "x", "moves": [move]}), plan, measured_plate())
    assert is_untouched(plan.characteristics[0], plan, measured_plate(), steps) is expected

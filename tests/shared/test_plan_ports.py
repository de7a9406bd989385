from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from shared.plan import Plan
from shared.plan.ports import FlowBench, PortArea, PortSibling, PortVolume
from shared.plan_reading import parse_plan
from tests.support.plans import FULL_PLAN

INCH = 25.4
LINES = {line.id: line for line in parse_plan(FULL_PLAN, "full.yaml").to_mm().characteristics}
VALVE = {
    "diameter": 50.8,
    "stem_diameter": 8,
    "seat_width": 2,
    "seat_angle_degrees": 45,
    "throat_diameter": 44,
    "lifts": [1, 2],
}
AREA = {"kind": "port_area", "region": "a"}
SIBLING = {"kind": "port_sibling", "region": "a", "sibling": "b", "most": 1}


def test_a_valves_lengths_become_millimetres_and_areas_stay() -> None:
    line = LINES["PORT1"]
    assert isinstance(line, PortArea)
    assert line.valve is not None
    assert line.valve.lifts == pytest.approx((0.1 * INCH, 0.2 * INCH, 0.5 * INCH))
    assert line.valve.seat_width == pytest.approx(0.08 * INCH)
    assert (line.valve.seat_angle_degrees, line.least_mm2, line.most_mm2) == (45, 650, 900)
    assert line.flow == FlowBench(pressure_inches_of_water=28, discharge_coefficient=0.6)


def test_volumes_stay_and_a_siblings_lengths_do_not() -> None:
    volume, sibling = LINES["PORT2"], LINES["PORT3"]
    assert isinstance(volume, PortVolume)
    assert isinstance(sibling, PortSibling)
    assert (volume.lower_mm3, volume.upper_mm3) == (80000, 90000)
    assert sibling.point == (INCH, 0, 0)
    assert sibling.most == pytest.approx(0.02 * INCH)


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ({**AREA, "least_mm2": 5, "most_mm2": 4}, "least_mm2 must lie below"),
        ({**AREA, "flow": {}}, "discharge_coefficient"),
        ({**AREA, "valve": {**VALVE, "throat_diameter": 60}}, "throat_diameter"),
        ({**AREA, "valve": {**VALVE, "seat_width": 30}}, "seat_width"),
        ({"kind": "port_volume", "region": "a", "lower_mm3": 5, "upper_mm3": 4}, "lower_mm3 must lie below"),
        ({**SIBLING, "sibling": "a"}, "two regions"),
        ({**SIBLING, "sibling": "c"}, "'c' is not among"),
        ({**SIBLING, "mirror": "x"}, "needs a point"),
        ({**SIBLING, "point": [0, 0, 0]}, "needs a point"),
    ],
)
def test_what_cannot_be_is_refused_by_name(line: dict[str, Any], fault: str) -> None:
    regions = [{"name": name, "faces": [index]} for index, name in enumerate("ab")]
    with pytest.raises(ValidationError, match=fault):
        Plan.model_validate({"firstpour_plan": "1", "regions": regions, "characteristics": [{"id": "it", **line}]})

"""From a line of a plan to its limits."""

from __future__ import annotations

from typing import Any

import pytest

from shared.errors import PlanInvalid
from shared.plan import Plan
from shared.tolerances import ResolvedLimits, limit_faults, resolve_limits
from shared.tolerances.iso_8062 import INDICATED_ONLY


def plan_of(line: dict[str, Any], **more: Any) -> Plan:
    return Plan.model_validate({"firstpour_plan": "1", "characteristics": [{"id": "C1", **line}], **more})


def limits(line: dict[str, Any], nominal: float, *, side_mm: float | None = None, **more: Any) -> ResolvedLimits:
    plan = plan_of(line, **more).to_mm()
    return resolve_limits(plan.characteristics[0], nominal, plan, shorter_side_mm=side_mm)  # type: ignore[arg-type]


SIZE: dict[str, Any] = {"kind": "size", "feature": "hole-1"}
DISTANCE: dict[str, Any] = {"kind": "distance", "first": "plane-1", "second": "plane-2"}
COORDINATE: dict[str, Any] = {"kind": "distance", "first": "plane-1", "direction": "x"}
ANGLE: dict[str, Any] = {"kind": "angle", "first": "plane-1", "second": "plane-2"}
WALL: dict[str, Any] = {"kind": "wall_thickness"}
ALLOWANCE: dict[str, Any] = {"kind": "machining_allowance", "feature": "plane-1"}
POSITION: dict[str, Any] = {"kind": "position", "feature": "hole-1", "zone_diameter": 0.3, "condition": "mmc"}
M, DCTG_10, IT14 = "ISO 2768-m", "ISO 8062-3 DCTG 10", "ISO 286 IT14"

CASES = [
    (SIZE | {"lower_deviation": -0.1, "upper_deviation": 0.2}, 10, {}, (9.9, 10.2), "deviations in the plan"),
    (SIZE | {"lower_deviation": -0.1}, 10, {}, (9.9, None), "deviations in the plan"),
    (SIZE | {"upper_deviation": 0.0}, 10, {}, (None, 10.0), "deviations in the plan"),
    (SIZE | {"nominal": 12, "upper_deviation": 0.1}, 10, {}, (None, 12.1), "deviations in the plan"),
    (SIZE | {"fit": "H8"}, 100, {}, (100, 100.054), "ISO 286 H8"),
    (SIZE | {"fit": "g6"}, 30, {}, (29.98, 29.993), "ISO 286 g6"),
    (SIZE | {"general": M}, 30, {}, (29.8, 30.2), M),
    (SIZE | {"general": M}, 30, {"general_tolerance": DCTG_10}, (29.8, 30.2), M),
    (SIZE | {"general": IT14}, 40, {}, (39.69, 40.31), IT14),
    (SIZE, 40, {"general_tolerance": M}, (39.7, 40.3), f"general tolerance {M}"),
    (DISTANCE, 50, {"general_tolerance": DCTG_10}, (48.6, 51.4), f"general tolerance {DCTG_10}"),
    (COORDINATE | {"general": M}, -50, {}, (-50.3, -49.7), M),
    (ANGLE | {"lower_degrees": 89.5, "upper_degrees": 90.5}, 90, {}, (89.5, 90.5), "limits in the plan"),
    (ANGLE | {"upper_degrees": 91}, 90, {}, (None, 91), "limits in the plan"),
    (WALL | {"least": 4}, 6, {}, (4, None), "least wall in the plan"),
    (ALLOWANCE | {"required": 2, "most": 5}, 300, {}, (2, 5), "allowance in the plan"),
    (ALLOWANCE | {"grade": "F"}, 500, {}, (3, None), "ISO 8062-3 RMAG F, largest dimension 500 mm"),
    (POSITION | {"lower_deviation": 0, "upper_deviation": 0.2}, 10, {}, (10, 10.2), "deviations in the plan"),
    (POSITION | {"fit": "H7"}, 30, {}, (30, 30.021), "ISO 286 H7"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "nominal", "more", "bounds", "source"), CASES)
def test_limits_come_from_where_the_plan_says(
    line: dict[str, Any], nominal: float, more: dict[str, Any], bounds: tuple[float | None, float | None], source: str
) -> None:
    found = limits(line, nominal, **more)
    assert (found.lower, found.upper) == pytest.approx(bounds, abs=1e-12)
    assert found.source == source


def test_an_inch_plan_gives_millimetres() -> None:
    found = limits(SIZE | {"lower_deviation": -0.005, "upper_deviation": 0.005}, 25.4, unit="inch")
    assert (found.lower, found.upper) == pytest.approx((25.4 - 0.127, 25.4 + 0.127), abs=1e-12)


def test_a_wall_is_judged_one_grade_coarser_and_with_the_caution() -> None:
    found = limits(WALL | {"grade": 11}, 30)
    assert (found.lower, found.upper, found.caution) == (27.5, 32.5, INDICATED_ONLY)
    assert "DCTG 12" in found.source


def test_an_angle_goes_by_its_shorter_side() -> None:
    found = limits(ANGLE | {"general": M}, 90, side_mm=60)
    assert (found.lower, found.upper) == pytest.approx((90 - 20 / 60, 90 + 20 / 60), abs=1e-12)
    assert "side 60 mm" in found.source


def test_dctg_carries_the_caution_that_it_speaks_of_indicated_dimensions() -> None:
    assert limits(SIZE | {"general": DCTG_10}, 20).caution == INDICATED_ONLY
    assert limits(SIZE | {"general": M}, 20).caution is None


def test_allowances_from_memory_say_so() -> None:
    assert "memory" in (limits(ALLOWANCE | {"grade": "C"}, 100).caution or "")
    assert limits(ALLOWANCE | {"grade": "G"}, 100).caution is None


@pytest.mark.parametrize(
    ("line", "nominal", "more", "words"),
    [
        (SIZE, 10, {}, "states no limits"),
        (ANGLE, 90, {}, "states no limits"),
        (ANGLE, 90, {"general_tolerance": DCTG_10}, "states no limits"),
        (ANGLE | {"general": M}, 90, {}, "shorter side"),
        (SIZE | {"general": M}, 5000, {}, "ends at 4000 mm"),
        (COORDINATE | {"general": M}, 0.2, {}, "below 0.5 mm"),
        (SIZE | {"general": "ISO 8062-3 DCTG 1"}, 300, {}, "grade 1 is not given"),
        (SIZE | {"fit": "H8"}, 6000, {}, "3150"),
        (WALL | {"grade": 15}, 8, {}, "grade 16 is not given"),
        (ALLOWANCE | {"grade": "F"}, 2000, {}, "1600"),
    ],
)
def test_a_line_without_a_limit_that_applies_is_refused_by_its_id(
    line: dict[str, Any], nominal: float, more: dict[str, Any], words: str
) -> None:
    with pytest.raises(PlanInvalid, match=words) as caught:
        limits(line, nominal, **more)
    assert "C1" in caught.value.message


def test_a_plan_in_inches_must_be_turned_first() -> None:
    plan = plan_of(SIZE | {"fit": "H8"}, unit="inch")
    with pytest.raises(ValueError, match="not in millimetres"):
        resolve_limits(plan.characteristics[0], 10, plan)  # type: ignore[arg-type]  # a size


@pytest.mark.parametrize(
    ("line", "more", "fault"),
    [
        (SIZE, {}, "no limits"),
        (DISTANCE, {}, "no limits"),
        (ANGLE, {"general_tolerance": IT14}, "no limits"),
        (SIZE | {"fit": "Z9"}, {}, "not known here"),
        (POSITION | {"fit": "Z9"}, {}, "not known here"),
        (SIZE | {"fit": "H8"}, {"temperature": {"celsius": 23, "material": "cheese"}}, "'cheese' is not known"),
    ],
)
def test_a_missing_limit_is_told_before_any_cad_is_seen(line: dict[str, Any], more: dict[str, Any], fault: str) -> None:
    (found,) = limit_faults(plan_of(line, **more))
    assert fault in found[1]


@pytest.mark.parametrize(
    ("line", "more"),
    [(SIZE, {"general_tolerance": DCTG_10}), (ANGLE, {"general_tolerance": M}), (DISTANCE | {"general": M}, {}),
     (ANGLE | {"lower_degrees": 1}, {}), (SIZE | {"upper_deviation": 0.1}, {}), (WALL | {"least": 3}, {}),
     (POSITION | {"fit": "H8"}, {}), (SIZE | {"fit": "H8"}, {"temperature": {"celsius": 23, "material": "pla"}})],
)  # fmt: skip
def test_a_line_with_limits_has_no_fault(line: dict[str, Any], more: dict[str, Any]) -> None:
    assert list(limit_faults(plan_of(line, **more))) == []

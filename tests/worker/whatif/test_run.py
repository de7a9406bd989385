from __future__ import annotations

import csv
import io
from dataclasses import replace
from functools import lru_cache
from typing import Any

import pytest
from pydantic import ValidationError

from shared.errors import PlanInvalid
from shared.plan import MoveOf, Plan
from shared.plan_reading import parse_plan
from tests.support.whatif_plate import BORE_1, BORE_2, LEFT, OFF_MM, measured_plate, whatif_plan
from worker.judging.characteristics import MEASURE, judge_plan
from worker.records import AlignmentStatus, Characteristic, Limits, Verdict
from worker.whatif.moves_list import default_who, moves_file, moves_to_ask
from worker.whatif.records import WhatIf
from worker.whatif.run import run_what_if, what_if_sections

LINES: list[dict[str, Any]] = [
    {"id": "left", "kind": "distance", "first": LEFT, "second": BORE_1, "nominal": 18.0, "lower_deviation": -0.2},
    {"id": "bridge", "kind": "distance", "first": BORE_1, "second": BORE_2, "nominal": 24.0, "lower_deviation": -0.02},
    {"id": "wall", "kind": "wall_thickness", "region": "pocket end", "toward": "far end", "least": 3.9},
    {"id": "place", "kind": "position", "feature": BORE_1, "zone_diameter": 0.1},
    {"id": "size", "kind": "size", "feature": BORE_2, "lower_deviation": -0.1, "upper_deviation": 0.1},
]
IN = {"name": "bore in", "moves": [{"feature": BORE_1, "translation": [-0.127, 0, 0]}], "lines": ["bridge", "size"]}
BACK = {
    "name": "bore back", "of": "piece", "moves": [{"feature": BORE_1, "translation": (-OFF_MM).tolist()}],
}  # fmt: skip
THICKER = {"name": "thicker end", "moves": [{"region": "pocket end", "offset": 0.2}]}
CENTRE = {
    "name": "centre",
    "moves": [{"feature": BORE_1, "freedoms": ["x"], "most": 0.5, "ask_of": "pattern shop"}],
    "lines": ["left", "bridge"],
}


@lru_cache(maxsize=1)
def everything() -> tuple[Plan, tuple[Characteristic, ...], WhatIf]:
    plan = whatif_plan(*LINES, what_if=[IN, BACK, THICKER], solve=[CENTRE])
    judged = judge_plan(plan, measured_plate())
    return plan, judged, run_what_if(plan, measured_plate(), judged, 0, thread_count=1)


def test_a_scenario_shows_the_lines_it_names_or_those_it_touches() -> None:
    _, _, found = everything()
    assert [[row.id for row in one.rows] for one in found.tried] == [
        ["bridge", "size"],
        ["left", "bridge", "place"],
        ["wall"],
    ]


def test_nominal_and_measured_stand_before_and_after() -> None:
    row = next(row for row in everything()[2].tried[0].rows if row.id == "bridge")
    assert (row.nominal_before, row.nominal_after) == pytest.approx((24.0, 24.127), abs=1e-6)
    assert row.change == pytest.approx(0.127, abs=1e-5)  # the bore is off across the line too, by 0.05 mm
    assert (row.before.verdict, row.after.verdict) == (Verdict.DOES_NOT_CONFORM, Verdict.CONFORMS)
    assert pytest.approx(row.before.U, rel=0.1) == row.after.U


def test_walls_are_measured_anew_only_for_lines_that_read_them() -> None:
    row = everything()[2].tried[2].rows[0]
    assert row.change == pytest.approx(0.2, abs=1e-4)  # an extreme, less what noise adds: a hundredth of its U
    assert row.nominal_after == pytest.approx(4.2, abs=1e-6)


def test_exhibits_tell_each_scenario_each_solve_and_the_list() -> None:
    shown = {section.title: section.exhibits for section in what_if_sections(everything()[2])}
    assert list(shown) == [
        "What if: bore in",
        "What if: bore back",
        "What if: thicker end",
        "Solved: centre",
        "List of moves",
    ]
    rows = shown["What if: bore in"].tables[1].rows
    assert [row[0] for row in rows] == ["bridge", "size"]
    assert shown["List of moves"].attachments[0].name == "moves.csv"


def test_the_list_asks_to_move_the_measured_fault_back_and_what_was_solved() -> None:
    _, judged, found = everything()
    place, centre = found.asked
    assert (place.who, place.what, place.line) == ("pattern shop", "hole-1", "place")
    assert place.shift_mm == pytest.approx(-OFF_MM, abs=0.005)
    assert pytest.approx(next(one.U for one in judged if one.id == "place")) == 2 * (place.U_mm or 0)
    assert (centre.who, centre.what, centre.line) == ("pattern shop", "hole-1", "bridge")
    assert centre.shift_mm == pytest.approx([*found.solved[0].move_mm.tolist(), 0.0, 0.0])  # type: ignore[union-attr]


def test_the_file_has_millimetres_and_thousandths() -> None:
    rows = list(csv.DictReader(io.StringIO(moves_file(everything()[2].asked).content.decode())))
    assert float(rows[0]["dx_mm"]) == pytest.approx(-0.1, abs=0.005)
    assert float(rows[0]["dx_thou"]) == pytest.approx(float(rows[0]["dx_mm"]) / 0.0254, abs=0.01)
    assert rows[0]["size_mm"] == ""


def _off(**changes: Any) -> Characteristic:
    plain = Characteristic(
        id="core", kind="core_displacement", title="Jacket", unit="mm", nominal=0.0, measured=0.4, U=0.05,
        limits=Limits(None, 0.3), verdict=Verdict.DOES_NOT_CONFORM, reason=None, point_mm=None, region="jacket",
        details={"displacement_mm": (0.4, 0.0, 0.0)},
    )  # fmt: skip
    return replace(plain, **changes)


def test_a_displaced_core_is_the_foundrys() -> None:
    (asked,) = moves_to_ask(whatif_plan(), [_off()], ())
    assert (asked.who, asked.what, asked.U_mm) == ("foundry", "jacket", 0.05)
    assert asked.shift_mm == pytest.approx([-0.4, 0.0, 0.0])
    assert "0.400 mm, 0.300 allowed" in asked.reason


@pytest.mark.parametrize("verdict", [Verdict.CONFORMS, Verdict.NOT_PROVEN, Verdict.NOT_MEASURED])
def test_what_was_not_shown_to_be_off_is_not_asked_for(verdict: Verdict) -> None:
    assert moves_to_ask(whatif_plan(), [_off(verdict=verdict)], ()) == ()


def test_a_rod_that_does_not_pass_is_asked_of_whoever_makes_the_valve_gear() -> None:
    rod = _off(kind="rod_passage", title="Rod 3", measured=-0.1, limits=Limits(0.4, None), region=None)
    (asked,) = moves_to_ask(whatif_plan(), [replace(rod, details={"least_shift_mm": (0.0, -0.5, 0.0)})], ())
    assert (asked.who, asked.what, asked.line) == ("valve-gear maker", "axis of the rod", "core")
    assert asked.shift_mm == pytest.approx([0.0, -0.5, 0.0])
    assert "gap -0.100 mm, 0.400 required" in asked.reason


def test_a_leaning_bore_says_so() -> None:
    ends = {"offset_at_start_mm": (0.1, 0.0, 0.0), "offset_at_end_mm": (0.3, 0.0, 0.0)}
    (asked,) = moves_to_ask(whatif_plan(), [_off(details=ends, feature="hole-1")], ())
    assert asked.shift_mm == pytest.approx([-0.2, 0.0, 0.0])
    assert "leans" in asked.reason


@pytest.mark.parametrize(
    ("kind", "who"), [("casting", "foundry"), ("print", "print shop"), ("machined", "machine shop")]
)
def test_a_hole_off_its_place_is_asked_of_whoever_made_the_piece(kind: str, who: str) -> None:
    at = {"offset_at_start_mm": (0.1, 0.0, 0.0)}
    (asked,) = moves_to_ask(whatif_plan(piece={"kind": kind}), [_off(details=at, feature="hole-1", region=None)], ())
    assert asked.who == who


@pytest.mark.parametrize(
    ("source", "of", "who"),
    [
        ("core", "design", "foundry"),
        ("body", "design", "valve-gear maker"),
        ("feature", "design", "designer"),
        ("feature", "piece", "foundry"),
    ],
)
def test_whom_a_solve_asks_goes_by_what_moves(source: str, of: str, who: str) -> None:
    assert default_who(source, MoveOf(of), whatif_plan()) == who


def test_names_that_no_spreadsheet_may_compute() -> None:
    (asked,) = moves_to_ask(whatif_plan(), [_off(region="=1+1")], ())
    assert b"'=1+1" in moves_file([asked]).content


def test_a_scan_that_is_not_aligned_has_nothing_tried() -> None:
    base = measured_plate()
    lost = replace(base, alignment=replace(base.alignment, status=AlignmentStatus.NOT_ALIGNED, reason="no"))
    plan, judged, _ = everything()
    found = run_what_if(plan, lost, judged, 0)
    assert (found.tried, found.asked) == ((), ())
    assert "not aligned" in str(what_if_sections(found)[0].exhibits.tables[0].rows)


def test_a_measured_fault_needs_no_scenario_to_be_listed() -> None:
    plan = whatif_plan(LINES[3])
    found = run_what_if(plan, measured_plate(), judge_plan(plan, measured_plate()), 0)
    assert [asked.line for asked in found.asked] == ["place"]


ANY_KIND: list[dict[str, Any]] = [
    {"kind": "flatness", "feature": LEFT, "zone": 0.1},
    {"kind": "roundness", "feature": BORE_1, "zone": 0.1},
    {"kind": "surface_profile", "region": "pocket end", "zone": 0.2},
    {"kind": "parallelism", "feature": BORE_1, "datum": "A", "zone": 0.1},
    {"kind": "core_displacement", "region": "bore", "most": 0.05},
    {"kind": "angle", "first": BORE_1, "second": BORE_2, "upper_degrees": 1.0},
]


@pytest.mark.parametrize("line", ANY_KIND, ids=lambda line: str(line["kind"]))
def test_a_rigid_move_of_the_design_leaves_form_and_deviation(line: dict[str, Any]) -> None:
    datums = [{"letter": "A", "feature": BORE_2, "reference": "least_squares"}]
    scenario = IN | {"lines": ["it"]}
    plan = whatif_plan({"id": "it", **line}, datums=datums, what_if=[scenario])
    found = run_what_if(plan, measured_plate(), judge_plan(plan, measured_plate()), 0)
    row = found.tried[0].rows[0]
    assert line["kind"] in MEASURE
    assert row.before.measured is not None
    assert row.change == pytest.approx(0.0, abs=1e-6)


BY_OTHERS: list[tuple[dict[str, Any], dict[str, Any], float]] = [
    (
        {"kind": "wall_between", "region": "pocket end", "toward": "far end", "least": 3.0},
        {"region": "pocket end", "offset": 0.127},
        4.0,
    ),
    ({"kind": "clearance", "body": "one", "least": 0.2}, {"body": "one", "translation": [0, 0, 0.127]}, 0.5),
]


@pytest.mark.parametrize(("line", "move", "of_nominal"), BY_OTHERS, ids=lambda part: str(part)[:24])
def test_kinds_that_know_nothing_of_moves_follow_them(
    line: dict[str, Any], move: dict[str, Any], of_nominal: float
) -> None:
    """The rocker's underside is put half a millimetre above the plate, whose top is at 12 mm."""
    parts = [{"name": "one", "body": "rocker", "place": {"transform": {"translation": [0, 0, -7.5]}}}]
    plan = whatif_plan({"id": "it", **line}, mock_up=parts, what_if=[{"name": "a", "moves": [move]}])
    row = run_what_if(plan, measured_plate(), judge_plan(plan, measured_plate()), 0).tried[0].rows[0]
    assert (row.nominal_before, row.nominal_after) == pytest.approx((of_nominal, of_nominal + 0.127), abs=1e-6)
    assert row.after.U is not None
    assert row.change == pytest.approx(0.127, abs=row.after.U)


def test_a_line_that_a_move_leaves_without_its_subject_is_not_measured() -> None:
    """The pocket's end is carried through the far end, so that no material lies between them."""
    line = {"id": "it", "kind": "wall_between", "region": "pocket end", "toward": "far end", "least": 3.0}
    plan = whatif_plan(line, what_if=[{"name": "a", "moves": [{"region": "pocket end", "translation": [9, 0, 0]}]}])
    row = run_what_if(plan, measured_plate(), judge_plan(plan, measured_plate()), 0).tried[0].rows[0]
    assert (row.after.verdict, row.after.measured) == (Verdict.NOT_MEASURED, None)
    assert row.after.reason is not None


def _faults(**rest: Any) -> list[str]:
    plan = {"firstpour_plan": "1", "regions": [{"name": "bore", "feature": "hole-1"}], **rest}
    with pytest.raises(PlanInvalid) as caught:
        parse_plan(plan, "plan")
    faults = caught.value.data["faults"]
    assert isinstance(faults, list)
    return [str(fault) for fault in faults]


def test_names_that_do_not_exist_are_faults_with_their_path() -> None:
    scenario = {"name": "a", "moves": [{"region": "core", "translation": [0, 0, 1]}], "lines": ["C9"]}
    solve = {"name": "b", "moves": [{"region": "core", "most": 1}], "lines": ["C9"]}
    faults = _faults(what_if=[scenario, scenario], solve=[solve])
    paths = [fault.partition(":")[0] for fault in faults]
    assert paths == [
        "what_if[1].name",
        "what_if[0].moves[0].region",
        "what_if[0].lines[0]",
        "what_if[1].moves[0].region",
        "what_if[1].lines[0]",
        "solve[0].moves[0].region",
        "solve[0].lines[0]",
    ]


BAD_MOVES: list[tuple[dict[str, Any], str]] = [
    ({"region": "bore", "feature": "hole-1", "offset": 1}, "exactly one of region, feature, body"),
    ({"region": "bore"}, "exactly one of translation, a turn, offset, diameter_change"),
    ({"region": "bore", "offset": 1, "translation": [0, 0, 1]}, "exactly one of translation"),
    ({"region": "bore", "rotation_degrees": 1}, "a turn needs"),
    ({"region": "bore", "rotation_axis": [0, 0, 0], "rotation_degrees": 1, "point": [0, 0, 0]}, "no direction"),
    ({"region": "bore", "diameter_change": 1}, "diameter_change is of a feature"),
    ({"body": "rocker", "offset": 1}, "no wall to offset"),
]


@pytest.mark.parametrize(("move", "words"), BAD_MOVES)
def test_a_move_is_of_one_thing_in_one_way(move: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Plan.model_validate({"firstpour_plan": "1", "what_if": [{"name": "a", "moves": [move]}]})


def test_thousandths_of_a_plan_in_inches_become_millimetres() -> None:
    moves = [
        {"feature": "hole-1", "translation": [0.005, 0, 0]},
        {"feature": "hole-1", "diameter_change": 0.01},
        {"feature": "hole-1", "rotation_axis": [0, 0, 1], "rotation_degrees": 2, "point": [1, 0, 0]},
    ]
    plan = Plan.model_validate(
        {"firstpour_plan": "1", "unit": "inch", "what_if": [{"name": "a", "moves": moves}]}
    ).to_mm()
    shift, grown, turned = plan.what_if[0].moves
    assert shift.translation == pytest.approx((0.127, 0.0, 0.0))
    assert grown.diameter_change == pytest.approx(0.254)
    assert (turned.point, turned.rotation_axis, turned.rotation_degrees) == ((25.4, 0, 0), (0, 0, 1), 2)

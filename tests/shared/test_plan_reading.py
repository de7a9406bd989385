"""Plans as people write them, and what they are told when one is wrong."""

from __future__ import annotations

import json

import pytest

from shared.errors import PlanInvalid
from shared.plan_reading import parse_plan, plan_text

PLAN = """\
firstpour_plan: "1"
unit: inch
regions:
  - name: intake
    core: intake
characteristics:
  - id: C1
    kind: surface_profile
    region: intake
    zone: 0.040
"""


def faults_of(source: str | bytes | dict[str, object]) -> list[str]:
    with pytest.raises(PlanInvalid) as caught:
        parse_plan(source, "head.yaml")
    faults = caught.value.data["faults"]
    assert isinstance(faults, list)
    return faults


@pytest.mark.parametrize("source", [PLAN, PLAN.encode(), b"\xef\xbb\xbf" + PLAN.encode(), PLAN.replace("\n", "\r\n")])
def test_a_yaml_plan_is_read(source: str | bytes) -> None:
    assert parse_plan(source, "head.yaml").characteristics[0].id == "C1"


@pytest.mark.parametrize("indent", [None, 2, "\t"])
def test_json_says_the_same_as_yaml(indent: int | str | None) -> None:
    plan = parse_plan(PLAN, "head.yaml")
    assert parse_plan(json.dumps(plan.model_dump(mode="json", exclude_none=True), indent=indent), "head.json") == plan


def test_an_object_is_read() -> None:
    assert parse_plan({"firstpour_plan": "1"}, "plan").unit == "mm"


LINE_10 = "line 10, characteristics[0].zone:"
UNITS = "Input should be 'um', 'mm', 'cm', 'm', 'inch' or 'foot'"
FAULTS = (
    ("zone: 0.040", "zone: -1", f"{LINE_10} Input should be greater than 0 (given: '-1')"),
    ("zone: 0.040", "zone: .nan", f"{LINE_10} Input should be a finite number (given: nan)"),
    ("    zone: 0.040\n", "", "line 7, characteristics[0].zone: Field required"),
    ("unit: inch", "unit: mile", f"line 2, unit: {UNITS} (given: 'mile')"),
    ("region: intake", "region: x", "line 1, plan: characteristic C1: region 'x' is not among the regions"),
    (
        "core: intake",
        "core: 12",
        "line 5, regions[0].core: Input should be a valid string (given: 12; put it in quotes)",
    ),
    ("unit: inch", "unit: inch\nunit: mm", "line 3: 'unit' is given twice"),
    ("unit: inch", "unit: [inch", "line 3: expected ',' or ']', but got ':' while parsing a flow sequence"),
    ("unit: inch", "unitt: inch", "line 2, unitt: Extra inputs are not permitted (given: 'inch')"),
    ("core: intake", "faces: &a\n  - *a", "line 5: aliases (&name, *name) are not read; write the value out"),
)


@pytest.mark.parametrize(("old", "new", "fault"), FAULTS)
def test_a_fault_names_its_line_and_path(old: str, new: str, fault: str) -> None:
    assert faults_of(PLAN.replace(old, new)) == [fault]


NO_PLANS: tuple[str | bytes, ...] = (
    "",
    "just words",
    "- a list",
    b"\xff\xfe binary",
    b"solid \x00\x01",
    "[" * 50_000,
    "a: !!python/object:os.system x",
    '\t{"firstpour_plan": ',
    '{\t"unit": "mm", "unit": "mm"}',
    "# " + "x" * 2**20,
)


@pytest.mark.parametrize("source", NO_PLANS)
def test_anything_else_is_refused_with_a_reason(source: str | bytes) -> None:
    assert faults_of(source)


def test_a_json_plan_tells_its_line_too() -> None:
    assert faults_of('{\n "firstpour_plan": "1",\n "unit": "mile"\n}')[0].startswith("line 3, unit:")


def test_a_fault_in_an_object_names_its_path() -> None:
    assert faults_of({"firstpour_plan": "1", "regions": [{"name": ""}]})[0].startswith("regions[0].name: ")


def test_very_many_faults_are_counted_not_listed() -> None:
    plan = "firstpour_plan: '1'\n" + "".join(f"wrong_{index}: 1\n" for index in range(50))
    with pytest.raises(PlanInvalid, match="and 30 more") as caught:
        parse_plan(plan, "head.yaml")
    assert caught.value.data["fault_count"] == 50


def test_the_text_of_an_object_does_not_depend_on_the_order_of_its_keys() -> None:
    assert plan_text({"a": 1, "b": 2}) == plan_text({"b": 2, "a": 1})

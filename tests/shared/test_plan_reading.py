"""Plans as people write them, and what they are told when one is wrong."""

from __future__ import annotations

import json

import pytest
import yaml

from shared.errors import PlanInvalid
from shared.plan_reading import fault_in, parse_plan, plan_text
from tests.support.plans import FULL_PLAN

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
    (
        "region: intake",
        "region: x",
        "line 9, characteristics[0].region: characteristic C1: region 'x' is not among the plan's regions (intake)",
    ),
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


FULL_FAULTS = [
    (
        "kind: flatness",
        "kind: flattness",
        "characteristics[5].kind: 'flattness' is no kind",
        "did you mean 'flatness'?",
    ),
    ("kind: flatness, ", "", "characteristics[5].kind: Field required", "one of size, distance"),
    ("fit: H8", "fit: H", "characteristics[0].fit: ", "write a tolerance class such as H8 or g6 (given: 'H')"),
    ("fit: H8", "fit: Z9", "characteristics[0]: C1: ", "tolerance class 'Z9' is not known here. Known are holes D"),
    ("feature: {face: 12}", "feature: 12", "datums[1].feature: ", "a feature is picked by its id, such as hole-3"),
    ("{face: 12}", "{face: twelve}", "datums[1].feature.face: ", "Input should be a valid integer"),
    ("feature: plane-1}", "feature: ''}", "datums[0].feature: ", "should have at least 1 character (given: '')"),
    ("letter: A,", "letter: a,", "datums[0].letter: ", "a datum is one or two capitals (given: 'a')"),
    ("width: [plane-2, {face_name: end}]", "width: [plane-2]", "datums[2].width[1]: ", "Field required"),
    ("point: [1, 0, 1]", "point: [1, 0]", "datums[3].targets[1].point[2]: ", "Field required"),
    (
        "datums: [A, B, C]",
        "datums: [A, B, E]",
        "frames[0].datums[2]: ",
        "datum 'E' is not among the plan's datums (A, B",
    ),
    ("frame: main}", "frame: mian}", "alignment.frame: ", "frame 'mian' is not among the plan's frames (main, loose)"),
    ("datum: A, zone", "datum: X, zone", "characteristics[9].datum: ", "characteristic C10: datum 'X' is not among"),
    ("zone: 0.004}", "zone: '0,004'}", "characteristics[5].zone: ", "write a decimal point, not a comma"),
    ("ISO 2768-m}", "ISO 2768}", "characteristics[2].general: ", "write a class such as 'ISO 2768-m'"),
    ("condition: mmc, ", "", "characteristics[13]: ", "size limits (deviations or fit) belong to mmc and lmc"),
    ("material: aluminium 356", "material: cheese", "temperature.material: ", "the expansion of 'cheese' is not known"),
    ("- {id: C1, bias", "- {id: C99, bias", "substitution[0].id: ", "characteristic 'C99' is not among"),
    ("draws: 5000", "draws: 5", "uncertainty.draws: ", "Input should be greater than or equal to 1000"),
]


def line_of(text: str) -> int:
    return FULL_PLAN[: FULL_PLAN.index(text)].count("\n") + 1


@pytest.mark.parametrize(("old", "new", "where", "what"), FULL_FAULTS)
def test_a_fault_in_any_part_names_its_line_and_path(old: str, new: str, where: str, what: str) -> None:
    (found,) = faults_of(FULL_PLAN.replace(old, new, 1))
    assert found.startswith(f"line {line_of(old)}, {where}")
    assert what in found


def test_lines_without_any_limit_are_told_before_a_scan_is_looked_at() -> None:
    (found,) = faults_of(FULL_PLAN.replace("general_tolerance: ISO 8062-3 DCTG 9\n", "\n"))
    assert found.startswith(f"line {line_of('- {id: C4')}, characteristics[3]: C4: it states no limits")


def test_the_same_faults_in_an_object_name_their_path() -> None:
    plan = yaml.safe_load(FULL_PLAN.replace("datum: A, zone", "datum: X, zone", 1))
    assert faults_of(plan)[0].startswith("characteristics[9].datum: characteristic C10")


def test_a_fault_found_later_names_its_line_too() -> None:
    path = ("characteristics", 0, "feature")
    assert fault_in(FULL_PLAN, path, "gone") == f"line {line_of('id: C1,')}, characteristics[0].feature: gone"
    assert fault_in(yaml.safe_load(FULL_PLAN), path, "gone") == "characteristics[0].feature: gone"


def test_a_fault_found_later_in_json_indented_by_tabs_has_a_path() -> None:
    assert fault_in(b'\t{\n\t"a": 1}', ("a",), "gone") == "a: gone"


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

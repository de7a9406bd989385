from __future__ import annotations

from pathlib import Path

import pytest

from shared.errors import FirstpourError, PlanInvalid
from shared.units import LengthUnit
from worker.command.asking import Asked, bodies_of

MM, INCH = LengthUnit.MILLIMETRE, LengthUnit.INCH


def ask(
    nominal: str = "head.step",
    scan: str = "scan.stl",
    plan: str | None = None,
    cores: tuple[str, ...] = (),
    parts: tuple[str, ...] = (),
) -> Asked:
    bodies = bodies_of(cores, parts)
    return Asked.of(Path(nominal), Path(scan), plan=Path(plan) if plan else None, bodies=bodies, title=None)


def test_files_are_known_by_name_and_place(folder: Path) -> None:
    asked = ask()
    assert asked.scan.path == folder / "scan.stl"
    assert (asked.scan.display_name, asked.title) == ("scan.stl", "scan.stl against head.step")


@pytest.mark.parametrize(
    ("changed", "code", "words"),
    [
        ({"scan": "gone.stl"}, "file_rejected", "gone.stl does not exist"),
        ({"scan": "."}, "file_rejected", "is a folder"),
        ({"scan": "notes.docx"}, "file_kind_unknown", "notes.docx"),
        ({"scan": "empty.stl"}, "file_empty", "empty.stl is empty"),
        ({"plan": "gone.yaml"}, "file_rejected", "gone.yaml"),
        ({"cores": ("jacket.step",)}, "request_invalid", "NAME=FILE"),
        ({"cores": ("jacket=gone.step",)}, "file_rejected", "gone.step"),
        ({"parts": ("arm",)}, "request_invalid", "--part arm is not NAME=FILE"),
    ],
)
def test_what_cannot_be_taken_is_named(changed: dict[str, str], code: str, words: str, folder: Path) -> None:
    (folder / "notes.docx").write_text("notes")
    (folder / "empty.stl").touch()
    with pytest.raises(FirstpourError) as caught:
        ask(**changed)  # type: ignore[arg-type]  # one of several kinds of argument
    assert caught.value.code == code
    assert words in caught.value.message


def test_a_faulty_plan_says_where(folder: Path) -> None:
    (folder / "plan.yaml").write_text("firstpour_plan: '1'\nunit: furlong\n")
    with pytest.raises(PlanInvalid) as caught:
        ask(plan="plan.yaml")
    assert "line 2" in str(caught.value.data["faults"])


def test_a_plan_is_read_and_its_text_kept(folder: Path) -> None:
    (folder / "plan.yaml").write_text("firstpour_plan: '1'  # ours\ntitle: First pour\n")
    asked = ask(plan="plan.yaml")
    assert asked.plan is not None
    assert asked.plan.title == "First pour"
    assert asked.plan_source == "firstpour_plan: '1'  # ours\ntitle: First pour\n"


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("nominal", "units", "nominal_unit", "scan_unit"),
    [
        ("head.step", (MM, None, None), None, MM),
        ("head.stl", (INCH, None, None), INCH, INCH),
        ("head.stl", (None, MM, INCH), MM, INCH),
        ("head.stl", (INCH, MM, None), MM, INCH),
        ("head.step", (None, INCH, MM), INCH, MM),
    ],
)
def test_a_unit_goes_to_the_files_that_carry_none(
    nominal: str,
    units: tuple[LengthUnit | None, LengthUnit | None, LengthUnit | None],
    nominal_unit: LengthUnit | None,
    scan_unit: LengthUnit | None,
) -> None:
    asked = ask(nominal).with_units(*units)
    assert (asked.nominal.stated_unit, asked.scan.stated_unit) == (nominal_unit, scan_unit)


@pytest.mark.usefixtures("folder")
def test_cores_and_parts_have_the_unit_of_the_nominal() -> None:
    asked = ask("head.stl", cores=("port=port.stl", "jacket=jacket.step"), parts=("arm=port.stl",))
    asked = asked.with_units(None, MM, INCH)
    assert [(body.name, body.role, body.file.stated_unit) for body in asked.bodies] == [
        ("port", "core", MM),
        ("jacket", "core", None),
        ("arm", "part", MM),
    ]


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(("nominal", "units"), [("head.step", (None, MM, None)), ("head.stl", (None, None, MM))])
def test_a_file_without_a_unit_is_refused_and_named(
    nominal: str, units: tuple[LengthUnit | None, LengthUnit | None, LengthUnit | None]
) -> None:
    with pytest.raises(FirstpourError) as caught:
        ask(nominal).with_units(*units)
    assert caught.value.code == "unit_missing"
    assert "--unit" in caught.value.advice

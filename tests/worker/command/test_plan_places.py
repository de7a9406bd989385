"""What a plan names is looked up in the CAD, and what is missing is told with its path."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.plan_reading import parse_plan
from tests.support.plate_files import PLAN, write_plate, write_plug
from worker.command.nominal import Looked, look_at, read_cores
from worker.command.plan_places import Checked, check_places
from worker.job_records import BodyFile, InputFile
from worker.records import Body


@pytest.fixture(scope="module")
def plate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Looked, tuple[Body, ...]]:
    folder: Path = tmp_path_factory.mktemp("plate")
    plug = BodyFile("plug", "core", InputFile(write_plug(folder), "plug.step"))
    return look_at(InputFile(write_plate(folder), "plate.step")), read_cores((plug,))


def checked(text: str, plate: tuple[Looked, tuple[Body, ...]]) -> Checked:
    return check_places(parse_plan(text, "plan.yaml"), *plate)


def test_a_plan_that_fits_has_no_fault(plate: tuple[Looked, tuple[Body, ...]]) -> None:
    found = checked(PLAN, plate)
    assert found.faults == ()
    assert [line.id for line in found.lines] == [f"C{number}" for number in range(1, 9)]
    assert found.lines[3].places == ("bore",)
    assert found.lines[2].stated.nominal == pytest.approx(50)


C1 = "kind: size, feature: hole-1, fit: H8"
FAULTS = [
    ("feature: hole-2", "feature: hole-9", "characteristics[1].feature", "C2: the CAD has no feature hole-9"),
    ("feature: hole-2", "feature: {point: [1, 2, 300]}", "characteristics[1].feature", "C2: no feature"),
    ("A, feature: plane-1", "A, feature: {face: 99}", "datums[0].feature", "datum A: the CAD has no face 99"),
    ("feature: hole-1}\nf", "width: [plane-1, plane-77]}\nf", "datums[1].width[1]", "datum B: the CAD has no feature"),
    ("core: plug", "core: plig", "regions[0]", "region bore: no core body is named 'plig' (known: plug)"),
    ("faces: [0]", "faces: [77]", "regions[1]", "region face: no face 77"),
    ("faces: [0]", "feature: slot-1", "regions[1]", "region face: "),
    ("[5, 5, 21]", "[-0.5, 5, 21]", "regions[2]", "region corner: it holds nothing of the part's surface"),
    (C1, C1.replace("hole-1", "boss-1"), "characteristics[0].fit", "H8 is for holes, boss-1 is none; write h8"),
    (C1, C1.replace("H8", "g6"), "characteristics[0].fit", "g6 is for shafts, hole-1 is none; write G6"),
    (C1, C1.replace("hole-1", "plane-1"), "characteristics[0]", "C1: plane-1 has no diameter or width"),
    (C1, "kind: flatness, feature: hole-1, zone: 1", "characteristics[0].feature", "is of planes, hole-1 is a hole"),
    (C1, "kind: roundness, feature: plane-1, zone: 1", "characteristics[0].feature", "plane-1 is a plane"),
    ("second: hole-2", "second: hole-2, nominal: 20000", "characteristics[2]", "ends at 10000 mm"),
]


@pytest.mark.parametrize(("old", "new", "path", "words"), FAULTS)
def test_a_name_that_the_cad_has_not_is_told_with_its_path(
    old: str, new: str, path: str, words: str, plate: tuple[Looked, tuple[Body, ...]]
) -> None:
    ((where, what),) = checked(PLAN.replace(old, new, 1), plate).faults
    assert shown(where) == path
    assert words in what
    assert not what.endswith(".")


def shown(path: tuple[str | int, ...]) -> str:
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path).removeprefix(".")


def test_faults_of_several_parts_are_told_together(plate: tuple[Looked, tuple[Body, ...]]) -> None:
    found = checked(PLAN.replace("hole-2", "hole-9").replace("core: plug", "core: other"), plate)
    assert [path[:2] for path, _ in found.faults] == [("regions", 0), ("characteristics", 1), ("characteristics", 2)]

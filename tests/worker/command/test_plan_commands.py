"""``firstpour features``, ``plan check`` and ``plan draft`` on a drilled plate."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from shared.feature_list import FeatureList
from shared.plan import PieceKind
from shared.plan_reading import parse_plan
from tests.support.plate_files import PLAN, write_plate, write_plug
from worker.command import main
from worker.command.plan_commands import Kind
from worker.exit_codes import ExitCode

Said = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def plates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plates")
    write_plate(folder)
    write_plug(folder)
    (folder / "inch").mkdir()
    write_plate(folder / "inch", "INCH")
    return folder


@pytest.fixture
def here(plates: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.yaml").write_text(PLAN)
    for name in ("plate.step", "plug.step", "inch"):
        (tmp_path / name).symlink_to(plates / name)
    return tmp_path


def test_features_are_listed_with_their_place(here: Path, capsys: Said) -> None:
    assert main.run(["features", "plate.step"]) == ExitCode.CONFORMS
    rows = {line.split()[0]: line for line in capsys.readouterr().out.splitlines()}
    assert "diameter 20, through, 20 deep, axis z, at x 30, y 30, z 10" in rows["hole-1"]
    assert "diameter 8, through, 20 deep, axis z, at x 80, y 30, z 10" in rows["hole-2"]
    assert "diameter 12, 10 long, axis z, at x 55, y 15, z 25" in rows["boss-1"]


@pytest.mark.parametrize("arguments", [["plate.step", "--unit", "inch"], ["inch/plate.step"]])
def test_features_are_shown_in_the_unit_asked_or_the_files_own(arguments: list[str], here: Path, capsys: Said) -> None:
    main.run(["features", *arguments])
    said = capsys.readouterr().out
    assert "what and where (inch)" in said
    assert "diameter 0.7874" in said


def test_features_as_json_are_the_list(here: Path, capsys: Said) -> None:
    main.run(["features", "plate.step", "--json"])
    listed = FeatureList.model_validate_json(capsys.readouterr().out)
    assert {feature.id for feature in listed.features} >= {"plane-1", "hole-1", "hole-2", "boss-1"}


def test_a_mesh_without_a_unit_is_refused(folder: Path, capsys: Said) -> None:
    assert main.run(["features", "head.stl"]) == ExitCode.FAILED
    assert "State it with --unit or --nominal-unit" in capsys.readouterr().err


def test_what_is_no_cad_is_refused(folder: Path, capsys: Said) -> None:
    assert main.run(["plan", "draft", "head.step"]) == ExitCode.FAILED
    assert "head.step" in capsys.readouterr().err


def test_a_plan_alone_is_checked_as_text(here: Path, capsys: Said) -> None:
    assert main.run(["plan", "check", "plan.yaml"]) == ExitCode.CONFORMS
    said = capsys.readouterr()
    assert said.out == "plan.yaml reads well: 8 characteristics, 3 regions, 2 datums, 1 frame.\n"
    assert "--nominal" in said.err


def test_a_faulty_text_ends_with_two_and_its_lines(here: Path, capsys: Said) -> None:
    (here / "plan.yaml").write_text(PLAN.replace("fit: H8", "fit: Z8").replace("frame: AB", "frame: BA"))
    assert main.run(["plan", "check", "plan.yaml"]) == ExitCode.FAILED
    assert "  - line 15, characteristics[1].frame: " in capsys.readouterr().err


def check(*more: str) -> int:
    return main.run(["plan", "check", "plan.yaml", "--nominal", "plate.step", "--core", "plug=plug.step", *more])


def test_a_plan_that_fits_says_what_each_line_comes_to(here: Path, capsys: Said) -> None:
    assert check() == ExitCode.CONFORMS
    said = capsys.readouterr().out
    rows = {line.split()[0]: " ".join(line.split()[1:]) for line in said.splitlines()}
    assert rows["C1"] == "size hole-1 20 20 20.033 ISO 286 H8"
    assert rows["C2"] == "position hole-2 0 - 0.4 the plan"
    assert rows["C3"] == "distance hole-1, hole-2 50 48.6 51.4 general tolerance ISO 8062-3 DCTG 10"
    assert rows["C5"] == "wall thickness bore - - - the wall at its worst place"
    assert rows["C6"] == "machining allowance plane-1 - 1 - ISO 8062-3 RMAG F, largest dimension 100 mm"
    assert rows["C7"].endswith("0 deg 0 deg 1 deg limits in the plan")
    assert rows["C8"] == "shrink all - 0 % 1 % the plan"
    assert "Caution: ISO 8062-3 speaks of dimensions indicated on a drawing" in said


def test_the_same_as_json(here: Path, capsys: Said) -> None:
    check("--json")
    lines = {line["id"]: line for line in json.loads(capsys.readouterr().out)["lines"]}
    assert lines["C3"]["of"] == ["hole-1", "hole-2"]
    assert (lines["C3"]["nominal"], lines["C3"]["lower"]) == pytest.approx((50, 48.6))
    assert "indicated" in lines["C3"]["caution"]


def test_figures_are_in_the_unit_of_the_plan(here: Path, capsys: Said) -> None:
    (here / "plan.yaml").write_text('firstpour_plan: "1"\nunit: inch\ncharacteristics:\n'
                                    "  - {id: C1, kind: size, feature: hole-1, upper_deviation: 0.005}\n")  # fmt: skip
    assert check() == ExitCode.CONFORMS
    row = capsys.readouterr().out.splitlines()[-1].split()
    assert row[3:6] == ["0.7874", "-", "0.7924"]


def test_all_faults_are_told_at_once(here: Path, capsys: Said) -> None:
    (here / "plan.yaml").write_text(PLAN.replace("hole-2", "hole-9").replace("core: plug", "core: other"))
    assert check("--json") == ExitCode.FAILED
    faults = json.loads(capsys.readouterr().out)["error"]["data"]["faults"]
    assert [fault.split(":")[0] for fault in faults] == [
        "line 10, regions[0]",
        "line 15, characteristics[1].feature",
        "line 16, characteristics[2].second",
    ]


@pytest.mark.parametrize("more", [[], ["--general", "ISO 8062-3 DCTG 10"], ["--unit", "inch", "--kind", "print"]])
def test_a_draft_passes_its_own_check(more: list[str], here: Path, capsys: Said) -> None:
    assert main.run(["plan", "draft", "plate.step", *more, "--out", "draft.yaml"]) == ExitCode.CONFORMS
    assert "characteristics drafted from" in capsys.readouterr().err
    assert main.run(["plan", "check", "draft.yaml", "--nominal", "plate.step"]) == ExitCode.CONFORMS
    said = capsys.readouterr().out
    assert "hole-1.size" in said
    assert "hole-2.position" in said


def test_without_a_file_the_draft_is_all_there_is_on_standard_output(here: Path, capsys: Said) -> None:
    assert main.run(["plan", "draft", "plate.step"]) == ExitCode.CONFORMS
    said = capsys.readouterr()
    plan = parse_plan(said.out, "draft")
    assert [datum.letter for datum in plan.datums] == ["A", "B", "C"]
    assert said.err == ""


def test_a_draft_of_an_inch_file_is_in_inches(here: Path, capsys: Said) -> None:
    main.run(["plan", "draft", "inch/plate.step"])
    assert parse_plan(capsys.readouterr().out, "draft").unit == "inch"


def test_a_draft_does_not_replace_a_plan(here: Path, capsys: Said) -> None:
    assert main.run(["plan", "draft", "plate.step", "--out", "plan.yaml"]) == ExitCode.FAILED
    assert "plan.yaml exists" in capsys.readouterr().err
    assert (here / "plan.yaml").read_text() == PLAN


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--general", "ISO 2768"], "not a class of general tolerances"),
        (["--out", "no/such/place.yaml"], "cannot be written"),
    ],
)
def test_a_draft_that_cannot_be_is_refused(more: list[str], words: str, here: Path, capsys: Said) -> None:
    assert main.run(["plan", "draft", "plate.step", *more]) == ExitCode.FAILED
    assert words in capsys.readouterr().err


def test_the_kinds_offered_are_those_of_a_plan() -> None:
    assert {kind.value for kind in Kind} == {kind.value for kind in PieceKind}

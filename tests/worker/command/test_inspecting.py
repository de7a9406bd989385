from __future__ import annotations

import json
from pathlib import Path

import pytest

from shared.units import LengthUnit
from tests.support import fake_pipeline
from worker.command.asking import Asked
from worker.command.inspecting import LOG_NAME, inspect_here, take_place
from worker.exit_codes import ExitCode
from worker.job_records import REPORT_HTML, REPORT_JSON


def run(title: str, out: Path | None = None, *, as_json: bool = False) -> ExitCode:
    asked = Asked.of(Path("head.step"), Path("scan.stl"), plan=None, bodies=(), title=title)
    asked = asked.with_units(LengthUnit.MILLIMETRE, None, None)
    return inspect_here(asked, out=out, seed=None, as_json=as_json, pipeline=fake_pipeline.NAME)


def test_the_report_lies_where_it_was_asked_for_and_nothing_else(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("quick", folder / "first" / "pour") == ExitCode.CONFORMS
    assert sorted(path.name for path in (folder / "first" / "pour").iterdir()) == [REPORT_HTML, REPORT_JSON]
    said = capsys.readouterr()
    assert said.out.splitlines() == ["All conforms.", f"Report: {folder / 'first' / 'pour' / REPORT_HTML}"]
    assert said.err == ""


def test_files_take_the_place_of_older_ones(tmp_path: Path) -> None:
    made, folder = tmp_path / "made", tmp_path / "out"
    for place, name in ((made, "new.csv"), (folder, "old.csv")):
        (place / "files").mkdir(parents=True)
        (place / "files" / name).write_text(name)
    for name in (REPORT_JSON, REPORT_HTML):
        (made / name).write_text(name)
    take_place(made, folder)
    assert sorted(str(path.relative_to(folder)) for path in folder.rglob("*.*")) == [
        "files/new.csv",
        REPORT_HTML,
        REPORT_JSON,
    ]


def test_without_a_folder_it_is_named_after_the_scan(folder: Path) -> None:
    run("quick")
    assert (folder / "scan-report" / REPORT_JSON).is_file()


@pytest.mark.usefixtures("folder")
def test_json_is_all_there_is_on_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    run("quick", as_json=True)
    document = json.loads(capsys.readouterr().out)
    assert (document["outcome"], document["exit_code"]) == ("conforms", 0)
    assert Path(document["report_json"]).is_file()


def test_a_failure_says_what_and_leaves_an_older_report_alone(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run("quick", folder / "out")
    before = (folder / "out" / REPORT_JSON).read_bytes()
    capsys.readouterr()
    assert run("reject", folder / "out") == ExitCode.FAILED
    said = capsys.readouterr()
    assert said.err.splitlines() == ["firstpour: The scan ends in mid-air.", "  What to do: Send it again."]
    assert said.out == ""
    assert (folder / "out" / REPORT_JSON).read_bytes() == before


@pytest.mark.usefixtures("folder")
def test_a_failure_as_json_has_its_code(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("reject", as_json=True) == ExitCode.FAILED
    assert json.loads(capsys.readouterr().out)["error"]["code"] == "file_truncated"


def test_a_fault_of_ours_leaves_its_log(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("fault", folder / "out") == ExitCode.FAILED
    assert "ZeroDivisionError" in (folder / "out" / LOG_NAME).read_text()
    said = capsys.readouterr().err
    assert LOG_NAME in said
    assert "Traceback" not in said

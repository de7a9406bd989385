"""``firstpour remarks``: what the server gave out is checked without it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from shared.remark_chain import FIRST, Entry
from worker.command import main
from worker.exit_codes import ExitCode

REPORT = b'{"report_version": "1.2"}'


def saved_remarks() -> dict[str, Any]:
    """Three entries as the interface gives them."""
    items: list[dict[str, Any]] = []
    for number in range(1, 4):
        entry = Entry(
            id=f"rem_{number}", inspection_id="insp_1", number=number, link_id=None, author="Anna", kind="remark",
            decision=None, text=f"Remark {number}.", place=None, at="2025-01-31T09:30:00.000000+00:00",
            report_sha256=hashlib.sha256(REPORT).hexdigest(),
            previous_sha256=items[-1]["sha256"] if items else FIRST,
        )  # fmt: skip
        items.append({**asdict(entry), "sha256": entry.sha256()})
    return {"inspection_id": "insp_1", "items": items}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "remarks.json"


def run(file: Path, document: object, *options: str) -> int:
    file.write_text(json.dumps(document))
    return main.run(["remarks", str(file), *options])


def test_a_whole_list_is_whole(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = saved_remarks()
    assert run(file, document) == ExitCode.CONFORMS
    assert f"3 entries, each as it was added. The last is {document['items'][-1]['sha256']}." in capsys.readouterr().out


def test_a_changed_entry_is_named(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = saved_remarks()
    document["items"][1]["text"] = "All fine."
    assert run(file, document) == ExitCode.FINDINGS
    assert "Entry 2 does not fit" in capsys.readouterr().out


@pytest.mark.parametrize(("report", "code"), [(REPORT, ExitCode.CONFORMS), (b"{}", ExitCode.FINDINGS)])
def test_the_report_must_be_the_one_they_were_made_on(
    file: Path, report: bytes, code: ExitCode, capsys: pytest.CaptureFixture[str]
) -> None:
    (file.parent / "report.json").write_bytes(report)
    assert run(file, saved_remarks(), "--report", str(file.parent / "report.json"), "--json") == code
    on_others = [] if code == ExitCode.CONFORMS else [1, 2, 3]
    assert json.loads(capsys.readouterr().out)["on_another_report"] == on_others


@pytest.mark.parametrize("document", [[], {"items": []}, {"inspection_id": "insp_1", "items": [{"sha256": "ab"}]}])
def test_what_is_no_list_of_remarks_is_refused(
    file: Path, document: object, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(file, document) == ExitCode.FAILED
    assert "is no list of remarks" in capsys.readouterr().err


def test_a_file_that_is_not_there_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["remarks", str(tmp_path / "none.json")]) == ExitCode.FAILED
    assert "cannot be read" in capsys.readouterr().err

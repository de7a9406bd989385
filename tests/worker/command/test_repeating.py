"""``firstpour repeat``."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from shared.plan import Plan
from shared.plan_reading import parse_plan
from worker.command import main
from worker.exit_codes import ExitCode
from worker.job_records import REPORT_JSON

Said = pytest.CaptureFixture[str]
CALIBRATED = "unit: mm\ncycles: 10\ncalibrated:\n  - {id: C1, value: 25.0, expanded_uncertainty: 0.001}\n"


def document(number: int, measured: float | None, plan: str = "p") -> dict[str, Any]:
    files = [("nominal", "n"), ("scan", f"s{number}")]
    line = {"id": "C1", "kind": "size", "title": "Bore", "unit": "mm", "measured": measured, "U": 0.01}
    shrink = {"id": "S", "kind": "shrink", "title": "Shrink", "unit": "percent", "measured": 1.3, "U": 0.1}
    return {
        "provenance": {
            "firstpour_version": "1",
            "plan_sha256": plan,
            "files": [{"name": f"{sha}.stl", "role": role, "sha256": sha} for role, sha in files],
        },
        "characteristics": [{**line, "reason": None if measured else "too little seen"}, shrink],
    }


@pytest.fixture
def reports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Twenty reports of 25.004 and 25.006 in turn."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "calibrated.yaml").write_text(CALIBRATED)
    for number in range(20):
        (tmp_path / f"r{number}").mkdir()
        (tmp_path / f"r{number}" / REPORT_JSON).write_text(
            json.dumps(document(number, 25.005 + 0.001 * (-1) ** number))
        )
    return [f"r{number}" for number in range(20)]


def test_the_table_has_mean_and_spread(reports: list[str], capsys: Said) -> None:
    assert main.run(["repeat", *reports]) == ExitCode.CONFORMS
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "Repeatability over 20 reports; U is of one measurement, about 95 %."
    assert said[3].split() == ["C1", "mm", "20", "25.00500", "0.00103", "0.00200", "19", "2.14", "0.00220", "0.01000"]
    assert said[4].split()[:4] == ["S", "percent", "20", "1.30000"]


def test_a_report_may_be_given_as_its_file(reports: list[str], capsys: Said) -> None:
    assert main.run(["repeat", f"r0/{REPORT_JSON}", "r1"]) == ExitCode.CONFORMS
    assert "over 2 reports" in capsys.readouterr().out


def test_what_was_not_measured_is_said(reports: list[str], capsys: Said) -> None:
    Path("r3", REPORT_JSON).write_text(json.dumps(document(3, None)))
    main.run(["repeat", *reports])
    assert "C1 is not measured in r3: too little seen" in capsys.readouterr().out


def test_the_block_is_one_that_a_plan_takes(reports: list[str], capsys: Said) -> None:
    assert main.run(["repeat", *reports, "--calibrated", "calibrated.yaml", "--out", "block.yaml"]) == ExitCode.CONFORMS
    assert "put it into the plan" in capsys.readouterr().err
    plan = with_block(Path("block.yaml").read_text())
    (entry,) = plan.substitution
    assert entry.id == "C1"
    assert entry.bias == pytest.approx(0.005)
    assert entry.expanded_uncertainty == pytest.approx(2 * math.sqrt(0.0005**2 + 1e-6 * 20 / 19 * 21 / 20), abs=1e-6)


def with_block(block: str, unit: str = "mm") -> Plan:
    head = (
        f'firstpour_plan: "1"\nunit: {unit}\ncharacteristics:\n  - {{id: C1, kind: size, feature: hole-1, fit: H8}}\n'
    )
    return parse_plan(head + block, "plan")


def test_without_a_file_the_block_follows_the_table(reports: list[str], capsys: Said) -> None:
    main.run(["repeat", *reports, "--calibrated", "calibrated.yaml"])
    said = capsys.readouterr().out
    assert "substitution:\n  - {id: C1, bias: 0.005000" in said


def test_a_block_in_inches_is_for_a_plan_in_inches(reports: list[str], capsys: Said) -> None:
    Path("calibrated.yaml").write_text(
        f"unit: inch\ncycles: 10\ncalibrated:\n  - {{id: C1, value: {25 / 25.4}, expanded_uncertainty: 0}}\n"
    )
    main.run(["repeat", *reports, "--calibrated", "calibrated.yaml", "--out", "block.yaml"])
    text = Path("block.yaml").read_text()
    assert "Lengths in inch" in text
    assert with_block(text, "inch").to_mm().substitution[0].bias == pytest.approx(0.005, abs=2e-5)


def test_conditions_that_are_not_met_stand_in_the_block(reports: list[str], capsys: Said) -> None:
    Path("calibrated.yaml").write_text(CALIBRATED.replace("cycles: 10\n", ""))
    main.run(["repeat", *reports[:3], "--calibrated", "calibrated.yaml", "--out", "block.yaml"])
    text = Path("block.yaml").read_text()
    assert "# Condition not met: fewer than 20 measurements: C1 (3)" in text
    assert "# Condition not met: how often the piece was set up anew is not stated" in text
    assert "Condition of ISO 15530-3 not met" in capsys.readouterr().err


def test_json_is_all_there_is_on_standard_output(reports: list[str], capsys: Said) -> None:
    main.run(["repeat", *reports, "--calibrated", "calibrated.yaml", "--json"])
    said = json.loads(capsys.readouterr().out)
    assert said["repeatability"]["lines"][0]["n"] == 20
    assert said["substitution"]["lines"][0]["bias"] == pytest.approx(0.005)


def faulty(name: str, text: str) -> None:
    Path(name).write_text(text)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["r0"], "shows no repeatability"),
        (["r0", "r0"], "Given twice: r0"),
        (["r0", "gone"], "gone cannot be read"),
        (["r0", "text.json"], "text.json is not a report"),
        (["r0", "list.json"], "list.json is not a report"),
        (["r0", "other.json"], "another plan than r0: other.json"),
        (["r0", "r1", "--out", "b.yaml"], "--out writes the substitution block"),
        (["r0", "r1", "--calibrated", "gone.yaml"], "gone.yaml cannot be read"),
        (["r0", "r1", "--calibrated", "bad.yaml"], "calibrated.0.value: Field required"),
        (["r0", "r1", "--calibrated", "worse.yaml"], "not YAML or JSON"),
        (["r0", "r1", "--calibrated", "unknown.yaml"], "no characteristic C9"),
        (["r0", "r1", "--calibrated", "calibrated.yaml", "--out", "no/such/b.yaml"], "cannot be written"),
    ],
)
def test_what_cannot_be_compared_is_named(arguments: list[str], words: str, reports: list[str], capsys: Said) -> None:
    faulty("text.json", "{")
    faulty("list.json", "[]")
    faulty("other.json", json.dumps(document(99, 1.0, plan="q")))
    faulty("bad.yaml", "unit: mm\ncalibrated:\n  - {id: C1, expanded_uncertainty: 0.001}\n")
    faulty("worse.yaml", "unit: [mm")
    faulty("unknown.yaml", CALIBRATED.replace("C1", "C9"))
    assert main.run(["repeat", *arguments]) == ExitCode.FAILED
    assert words in capsys.readouterr().err

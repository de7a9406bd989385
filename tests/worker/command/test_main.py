from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from worker.command import inspecting, main
from worker.exit_codes import ExitCode
from worker.job_records import exit_code_of

HEAVY = {"numpy", "open3d", "OCP", "celery", "sqlalchemy", "httpx", "pydantic", "rich"}


@pytest.mark.parametrize("of", [[], ["features"], ["plan", "check"], ["plan", "draft"], ["repeat"]])
def test_help_imports_nothing_heavy(of: list[str]) -> None:
    program = f"""
import sys
from worker.command.main import run
assert run([*{of}, "--help"]) == 0
print(sorted(set(sys.modules) & {HEAVY}))
"""
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    assert said.splitlines()[-1] == ("['pydantic']" if of else "[]")  # typer itself imports it for a command's options
    assert of or all(command in said for command in ("serve", "inspect", "send", "features", "plan", "repeat"))


@pytest.mark.parametrize(
    ("outcome", "code"),
    [("conforms", 0), ("does_not_conform", 1), ("not_proven", 1), ("not_aligned", 1), ("not_judged", 1)],
)
def test_only_what_conforms_ends_with_zero(outcome: str, code: int) -> None:
    assert exit_code_of(outcome) == code


@pytest.mark.parametrize("arguments", [["measure"], ["inspect"], ["inspect", "a.step", "b.stl", "--unit", "furlong"]])
def test_a_wrong_call_ends_with_two(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(arguments) == ExitCode.FAILED
    assert capsys.readouterr().err != ""


def test_an_error_names_the_file_and_what_to_do(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["inspect", "head.stl", "scan.stl", "--unit", "mm", "--plan", "plan.yaml"]) == ExitCode.FAILED
    said = capsys.readouterr().err
    assert said.startswith("firstpour: The plan plan.yaml cannot be read: No such file")
    assert "What to do: Check the path." in said


def test_an_error_as_json_is_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["inspect", "gone.stl", "scan.stl", "--unit", "mm", "--json"]) == ExitCode.FAILED
    assert json.loads(capsys.readouterr().out)["error"]["data"] == {"file": "gone.stl"}


def test_faults_of_a_plan_are_listed(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "plan.yaml").write_text("firstpour_plan: '1'\nunit: furlong\ntypo: 1\n")
    assert main.run(["inspect", "head.step", "scan.stl", "--unit", "mm", "--plan", "plan.yaml"]) == ExitCode.FAILED
    said = capsys.readouterr().err
    assert "line 2" in said
    assert "line 3" in said


def test_a_fault_of_ours_is_no_verdict(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(inspecting, "inspect_here", lambda *_args, **_named: 1 // 0)
    assert main.run(["inspect", "head.step", "scan.stl", "--unit", "mm"]) == ExitCode.FAILED
    assert "ZeroDivisionError" in capsys.readouterr().err


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("server", "words"),
    [("http://127.0.0.1:9", "No answer from http://127.0.0.1:9"), ("nonsense", "not the address of a server")],
)
def test_a_server_that_is_none_is_told(server: str, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["send", "head.step", "scan.stl", "--unit", "mm", "--server", server]
    assert main.run(arguments) == ExitCode.FAILED
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said

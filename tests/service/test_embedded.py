"""The embedded default over HTTP with one worker: SQLite, the embedded broker, a pipeline that obeys its title."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.report import Report
from tests.support.services import STL, Service, running_service
from worker.command import main
from worker.exit_codes import ExitCode


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with running_service(tmp_path_factory.mktemp("service")) as service:
        yield service


@pytest.fixture(scope="module")
def worker(service: Service) -> Iterator[subprocess.Popen[bytes]]:
    with service.worker() as worker:
        yield worker
        assert worker.poll() is None  # the same one lived through all of this


@pytest.fixture(autouse=True)
def _with_worker(worker: subprocess.Popen[bytes]) -> None:
    pass


def test_upload_inspect_report(service: Service) -> None:
    found = service.wait_until_final(service.order("quick"))
    with service.client as client:
        report = Report.model_validate_json(client.get(found["links"]["report_json"]).content)
        page = client.get(found["links"]["report_html"]).text
    assert (found["state"], found["outcome"], found["progress"]) == ("done", "conforms", 1.0)
    assert report.summary.headline == found["headline"] == "All conforms."
    assert page.startswith("<!doctype html>")


def test_a_killed_job_is_run_again(service: Service, worker: subprocess.Popen[bytes]) -> None:
    go = service.folder / "go"
    inspection_id = service.order(f"wait {go}")
    service.wait_until_measuring(inspection_id)
    os.kill(service.job_of(worker), signal.SIGKILL)
    go.touch()
    found = service.wait_until_final(inspection_id)
    assert (found["state"], found["attempts"]) == ("done", 2)


def test_a_running_inspection_can_be_cancelled(service: Service) -> None:
    inspection_id = service.order("hold")
    service.wait_until_measuring(inspection_id)
    with service.client as client:
        client.post(f"/v1/inspections/{inspection_id}/cancel").raise_for_status()
    found = service.wait_until_final(inspection_id)
    assert (found["state"], found["links"]["report_json"]) == ("cancelled", None)


def test_three_crashes_fail_with_the_reason_and_the_next_job_is_fine(service: Service) -> None:
    crashing, sound = service.order("die 11"), service.order("quick")
    failed, done = service.wait_until_final(crashing), service.wait_until_final(sound)
    assert (failed["state"], failed["attempts"], failed["error"]["code"]) == ("failed", 3, "worker_died")
    assert "SIGSEGV" in failed["error"]["message"]
    assert done["state"] == "done"


def test_a_file_that_cannot_be_read_fails_once_with_name_and_advice(service: Service) -> None:
    found = service.wait_until_final(service.order("reject"))
    assert (found["state"], found["attempts"]) == ("failed", 1)
    assert found["error"] == {
        "code": "file_truncated",
        "message": "The scan ends in mid-air.",
        "advice": "Send it again.",
        "data": {"file": "scan.stl", "missing": 7},
    }


def send(service: Service, folder: Path, *options: str) -> int:
    """``firstpour send`` of two files."""
    for name in ("head.stl", "scan.stl", "core.stl"):
        (folder / name).write_bytes(STL)
    files = [str(folder / "head.stl"), str(folder / "scan.stl"), "--unit", "mm"]
    server = f"http://127.0.0.1:{service.port}"
    return main.run(["send", *files, "--server", server, "--out", str(folder / "out"), *options])


def test_send_brings_the_report_home(service: Service, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    core = f"jacket={tmp_path / 'core.stl'}"
    assert send(service, tmp_path, "--title", "slow 1", "--core", core, "--json") == ExitCode.CONFORMS
    said = json.loads(capsys.readouterr().out)
    found = service.get(said["inspection_id"])
    assert (found["state"], found["title"], said["headline"]) == ("done", "slow 1", "Slept well.")
    report = Report.model_validate_json((tmp_path / "out" / "report.json").read_bytes())
    assert report.run.inspection_id == found["id"]
    assert (tmp_path / "out" / "report.html").is_file()


@pytest.mark.parametrize(
    ("title", "words"), [("reject", "The scan ends in mid-air."), ("x" * 201, "title"), (" ", "title")]
)
def test_send_says_why_there_is_no_report(
    title: str, words: str, service: Service, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert send(service, tmp_path, "--title", title) == ExitCode.FAILED
    said = capsys.readouterr()
    assert words in said.err
    assert "Traceback" not in said.err
    assert said.out == ""


def test_send_to_something_else_says_so(service: Service, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert send(service, tmp_path, "--server", f"http://127.0.0.1:{service.port}/elsewhere") == ExitCode.FAILED
    assert "What to do" in capsys.readouterr().err

"""A small bracket with the real pipeline: the command here, and a server that a person started."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from shared.report import Report
from tests.support.parts import bracket
from tests.support.scanning import ScanRecipe, random_pose, simulate_scan
from tests.support.services import serving
from worker.command import main
from worker.exit_codes import ExitCode

TRIANGLE = np.dtype([("normal", "<3f4"), ("corners", "<9f4"), ("attribute", "<u2")])
POINT_COUNT = 20_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nominal as binary STL in mm, scan as points with normals in inch, in any pose."""
    folder, part, rng = tmp_path_factory.mktemp("real"), bracket(), np.random.default_rng(1)
    triangles = np.zeros(len(part.triangles), TRIANGLE)
    triangles["corners"] = part.vertices_mm[part.triangles].reshape(-1, 9)
    header = b"invented".ljust(80) + np.uint32(len(triangles)).tobytes()
    (folder / "bracket.stl").write_bytes(header + triangles.tobytes())
    points, normals = simulate_scan(part, ScanRecipe(point_count=POINT_COUNT), pose=random_pose(rng), rng=rng)
    np.savetxt(folder / "print.xyz", np.hstack([points / 25.4, normals]), fmt="%.7f")
    return folder


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Two workers, so that a job gets half the threads it gets from the command."""
    with serving(tmp_path_factory.mktemp("serve"), "--workers", "2") as (_, address):
        yield address


def call(folder: Path, command: str, *options: str) -> int:
    files = [str(folder / "bracket.stl"), str(folder / "print.xyz")]
    units = ["--nominal-unit", "mm", "--scan-unit", "inch"]
    return main.run([command, *files, *units, "--title", "First print", "--out", str(folder / command), *options])


def without_run(path: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(path.read_bytes())
    del document["run"]
    return document


def test_the_command_and_the_server_make_the_same_report_whatever_their_threads(
    folder: Path, server: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(folder, "inspect", "--json") == ExitCode.FINDINGS  # nothing was asked to be judged
    here = json.loads(capsys.readouterr().out)
    assert call(folder, "send", "--server", server, "--json") == ExitCode.FINDINGS
    there = json.loads(capsys.readouterr().out)
    assert here["outcome"] == there["outcome"] == "not_judged"
    assert without_run(folder / "inspect" / "report.json") == without_run(folder / "send" / "report.json")
    report = Report.model_validate_json((folder / "inspect" / "report.json").read_bytes())
    assert report.alignment.status == "aligned"
    assert httpx.get(there["page"]).status_code == 200


def test_a_scan_in_the_wrong_unit_is_told_with_both_names(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(folder, "inspect", "--scan-unit", "mm") == ExitCode.FAILED
    said = capsys.readouterr().err
    assert "25.4" in said or "inch" in said
    assert "What to do" in said

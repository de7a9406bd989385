"""The whole pipeline on files, with truths that can be written down."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from shared.errors import UnitMismatch, UnitMissing
from shared.plan import Plan
from shared.states import Stage
from shared.units import LengthUnit
from tests.support.model_files import binary_stl, ply
from tests.support.parts import bracket, lever
from tests.support.scanning import ScanRecipe, random_pose, simulate_scan
from tests.support.solids import box, cut, cylinder, fuse, tessellated
from worker.job_records import InputFile, InspectionJob
from worker.pipeline import inspect
from worker.records import Nominal
from worker.rigid import RigidTransform

MM = LengthUnit.MILLIMETRE
NOISE_MM = 0.02
RECIPE = ScanRecipe(noise_sigma_mm=NOISE_MM, point_count=40_000)
POSE_LIMIT_MM = 0.003  # six standard deviations of the pose at this noise and count
BRACKET_MIDDLE_MM = (40.0, 30.0, 20.0)
FIN_MM, SHIFT_MM = 2.0, 1.2
FIN_X_MM = 31.0  # its sides are small beside the block's ends, which hold the pose along x


def quiet(_stage: Stage, _share: float, /) -> None:
    """Nobody looks."""


def finned_block(shift_mm: float) -> Nominal:
    """A block with a 2 mm fin standing on it, displaced along x."""
    fin = box((FIN_X_MM + shift_mm, 8, 20), (FIN_MM, 30, 26))
    block = fuse([box((0, 0, 0), (110, 60, 22)), box((70, 30, 20), (40, 30, 18)), fin])
    return tessellated(cut(block, [cylinder((15, 15, -1), (0, 0, 1), 6, 30), cylinder((90, 12, -1), (0, 0, 1), 4, 30)]))


def beside_fin(low_x_mm: float, high_x_mm: float) -> dict[str, Any]:
    """A box round one side of the fin, clear of its rims."""
    return {"minimum": (FIN_X_MM + low_x_mm, 10.0, 26.0), "maximum": (FIN_X_MM + high_x_mm, 36.0, 44.0)}


def job(
    folder: Path, nominal: Nominal, scanned: Nominal, *, unit_mm: float = 1.0, normal_sign: int = 1
) -> tuple[InspectionJob, RigidTransform]:
    """Files of a nominal and of a scan of ``scanned`` in a random pose, and the true T_nominal_scan."""
    rng = np.random.default_rng(3)
    pose = random_pose(rng)
    points, normals = simulate_scan(scanned, RECIPE, pose=pose, rng=rng)
    (folder / "nominal.stl").write_bytes(binary_stl(nominal.vertices_mm / unit_mm, nominal.triangles))
    (folder / "scan.ply").write_bytes(ply(points / unit_mm, normals=normal_sign * normals))
    unit = MM if unit_mm == 1.0 else LengthUnit.INCH
    files = [InputFile(folder / name, name, unit) for name in ("nominal.stl", "scan.ply")]
    return InspectionJob(title="Test piece", nominal=files[0], scan=files[1]), pose.inverse()


def report_of(work: InspectionJob, out: Path) -> dict[str, Any]:
    inspect(work, out_dir=out, progress=quiet)
    document: dict[str, Any] = json.loads((out / "report.json").read_text())
    return document


def pose_error_mm(report: dict[str, Any], truth: RigidTransform, at: tuple[float, float, float]) -> float:
    found = RigidTransform.from_matrix(np.array(report["alignment"]["T_nominal_scan"]))
    place = np.array(at)
    return float(np.linalg.norm((found @ truth.inverse()).apply(place) - place))


@pytest.fixture(scope="module")
def fin_report(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("fin")
    work, _ = job(folder, finned_block(0.0), finned_block(SHIFT_MM))
    regions = [
        {"name": "fin +x", "box": beside_fin(FIN_MM - 0.5, FIN_MM + 2)},
        {"name": "fin -x", "box": beside_fin(-2.0, 0.5)},
    ]
    plan = Plan.model_validate({"firstpour_plan": "1", "regions": regions})
    return report_of(replace(work, plan=plan), folder / "out")


@pytest.mark.parametrize(("region", "expected_mm"), [("fin +x", SHIFT_MM), ("fin -x", -SHIFT_MM)])
def test_thin_plate_displaced_by_more_than_half_its_wall_reads_the_shift_on_both_faces(
    fin_report: dict[str, Any], region: str, expected_mm: float
) -> None:
    row = next(row for row in fin_report["deviation"]["regions"] if row["name"] == region)
    assert row["measured_area_share"] > 0.95
    assert row["mean_mm"] == pytest.approx(expected_mm, abs=0.01)


def test_thin_plate_keeps_its_wall_when_it_is_displaced(fin_report: dict[str, Any]) -> None:
    spots = [spot for spot in fin_report["thickness"]["spots"] if spot["point_mm"][2] > 24]
    assert spots
    assert spots[0]["nominal_mm"] == pytest.approx(FIN_MM, abs=1e-3)
    assert spots[0]["least_mm"] == pytest.approx(FIN_MM, abs=4 * NOISE_MM)


@dataclass(frozen=True)
class PlainRun:
    """A bracket inspected without a plan: the job, the truth, what was told, and the report."""

    work: InspectionJob
    truth: RigidTransform
    told: list[Stage]
    report: dict[str, Any]


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> PlainRun:
    folder = tmp_path_factory.mktemp("plain")
    work, truth = job(folder, bracket(), bracket())
    told: list[Stage] = []
    inspect(work, out_dir=folder / "out", progress=lambda stage, _share: told.append(stage))
    return PlainRun(work, truth, told, json.loads((folder / "out" / "report.json").read_text()))


def test_same_input_gives_the_same_bytes_apart_from_the_run(plain: PlainRun, tmp_path: Path) -> None:
    again = report_of(replace(plain.work, thread_count=2), tmp_path)
    first = {key: value for key, value in plain.report.items() if key != "run"}
    assert again.pop("run")["thread_count"] != plain.report["run"]["thread_count"]
    assert json.dumps(first) == json.dumps(again)


def test_pose_of_a_plain_scan_is_found(plain: PlainRun) -> None:
    assert plain.report["alignment"]["status"] == "aligned"
    assert pose_error_mm(plain.report, plain.truth, BRACKET_MIDDLE_MM) < POSE_LIMIT_MM


def test_inch_files_give_the_same_figures_in_mm(tmp_path: Path) -> None:
    work, truth = job(tmp_path, bracket(), bracket(), unit_mm=25.4)
    report = report_of(work, tmp_path / "out")
    assert pose_error_mm(report, truth, BRACKET_MIDDLE_MM) < POSE_LIMIT_MM


def test_normals_that_point_inward_are_turned_round_and_told(tmp_path: Path) -> None:
    work, _ = job(tmp_path, bracket(), bracket(), normal_sign=-1)
    report = report_of(work, tmp_path / "out")
    assert report["coverage"]["measured_area_share"] > 0.95
    assert abs(report["deviation"]["percentiles_mm"]["p50"]) < 0.01
    assert any("turned round" in note for note in report["provenance"]["files"][1]["notes"])


def test_another_part_is_called_that_and_shows_no_map(tmp_path: Path) -> None:
    work, _ = job(tmp_path, bracket(), lever())
    report = report_of(work, tmp_path / "out")
    assert report["alignment"]["status"] == "not_aligned"
    assert report["alignment"]["reason"]
    assert report["summary"]["outcome"] == "not_aligned"
    assert report["deviation"] is None
    assert (tmp_path / "out" / "report.html").is_file()


def test_without_a_plan_nothing_is_called_good(plain: PlainRun) -> None:
    assert plain.report["summary"]["outcome"] == "not_judged"
    assert plain.report["characteristics"] == []


def test_stages_are_told_in_order(plain: PlainRun) -> None:
    assert list(dict.fromkeys(plain.told)) == list(Stage)


def test_scan_stated_in_the_wrong_unit_is_refused(tmp_path: Path) -> None:
    work, _ = job(tmp_path, bracket(), bracket())
    wrong = replace(work, scan=replace(work.scan, stated_unit=LengthUnit.INCH))
    with pytest.raises(UnitMismatch, match=r"25\.4"):
        inspect(wrong, out_dir=tmp_path / "out", progress=quiet)


def test_file_without_a_unit_is_never_guessed(tmp_path: Path) -> None:
    work, _ = job(tmp_path, bracket(), bracket())
    silent = replace(work, nominal=replace(work.nominal, stated_unit=None))
    with pytest.raises(UnitMissing, match=r"nominal\.stl"):
        inspect(silent, out_dir=tmp_path / "out", progress=quiet)

"""The JSON document: its schema, its determinism, and what it takes from the records."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from shared.report import Report
from shared.schemas import FOLDER
from tests.support.report_example import SAMPLE, example, not_aligned, without_plan
from worker.reporting.document import build_report, report_text, rounded
from worker.reporting.inspected import Inspected
from worker.reporting.shrinkage import handbook
from worker.reporting.write import report_scene, write_report

SCHEMA = json.loads((FOLDER / "report-1.2.schema.json").read_text())


def test_sample_document_fits_the_published_schema() -> None:
    assert list(Draft202012Validator(SCHEMA).iter_errors(json.loads(SAMPLE.read_text()))) == []


def test_sample_document_is_what_the_code_writes() -> None:
    text = report_text(build_report(example(4)))
    assert text == SAMPLE.read_text(encoding="utf-8"), "run: python -m tests.support.report_example"


@pytest.mark.parametrize("make", [example, without_plan, not_aligned])
def test_every_kind_of_document_fits_the_schema(make: Any) -> None:
    document = json.loads(report_text(build_report(make(4))))
    assert list(Draft202012Validator(SCHEMA).iter_errors(document)) == []


def test_document_reads_back_as_itself(report: Report) -> None:
    assert Report.model_validate_json(report_text(report)) == report


def test_same_inspection_twice_differs_only_in_run(tmp_path: Path) -> None:
    texts = []
    for number, inspected in enumerate((example(4), example(4))):
        run = inspected.run.model_copy(update={"created_at": f"2026-01-0{number + 1}T00:00:00Z"})
        report = build_report(replace(inspected, run=run))
        paths = write_report(report, report_scene(inspected), tmp_path / str(number))
        texts.append([path.read_text() for path in paths])
    first, second = (json.loads(text[0]) for text in texts)
    assert first.pop("run") != second.pop("run")
    assert first == second
    assert texts[0][1].replace("2026-01-01T00", "") == texts[1][1].replace("2026-01-02T00", "")


def test_no_part_written_aside_is_left(page_path: Path) -> None:
    assert sorted(path.name for path in page_path.parent.iterdir()) == ["report.html", "report.json"]


def test_lengths_are_rounded_to_a_millionth_of_a_millimetre() -> None:
    assert rounded({"rms_mm": 0.12345678, "points": [(1e-9, -1e-9)]}) == {"rms_mm": 0.123457, "points": [[0.0, 0.0]]}


def test_rotations_keep_the_digits_that_move_points() -> None:
    assert rounded({"T_nominal_scan": [0.123456789012]}) == {"T_nominal_scan": [0.123456789]}


def test_pose_of_the_document_takes_scan_points_where_the_record_does(inspected: Inspected, report: Report) -> None:
    pose = inspected.measured.alignment.T_nominal_scan
    assert pose is not None
    point = np.array([200.0, -150.0, 90.0])
    shown = np.array(report.alignment.T_nominal_scan) @ [*point, 1.0]
    np.testing.assert_allclose(shown[:3], pose.apply(point), atol=2e-6)


def test_figures_that_are_not_finite_are_absent() -> None:
    inspected = example(4)
    alignment = replace(inspected.measured.alignment, icp_rms_mm=float("nan"), sigma_mm=float("inf"))
    found = build_report(replace(inspected, measured=replace(inspected.measured, alignment=alignment))).alignment
    assert (found.icp_rms_mm, found.sigma_mm) == (None, None)


def test_shrink_counts_the_allowance(report: Report) -> None:
    # metrology of similarity: p = (1 + a) / s - 1; 1.013 / 1.002 - 1 = 1.0978 %
    assert report.shrink is not None
    assert report.shrink.percent == pytest.approx(100 * (1.013 / 1.002 - 1), abs=1e-6)
    assert report.shrink.U_percent == pytest.approx(2 * 100 * 1.013 / 1.002**2 * 2e-4, abs=1e-6)


def test_axis_the_scan_does_not_span_has_no_shrink(report: Report) -> None:
    assert report.shrink is not None
    assert report.shrink.percent_xyz[2] is None
    assert report.shrink.U_percent_xyz[2] is None


def test_published_allowance_of_the_alloy_is_per_foot_of_casting(report: Report) -> None:
    # 5/32 inch per foot = 1.302 % of the casting's length
    assert report.shrink is not None
    assert 1.302083 in [entry.percent for entry in report.shrink.handbook]


@pytest.mark.parametrize(
    ("alloy", "named"),
    [("AlSi7Mg0.3", {"aluminium"}), ("EN-GJL-250", {"grey iron"}), ("Bronze", {"bronze"})],
)
def test_handbook_knows_alloys_by_their_usual_names(alloy: str, named: set[str]) -> None:
    assert {entry.alloy for entry in handbook(alloy)} == named


@pytest.mark.parametrize("alloy", [None, "", "unobtainium"])
def test_handbook_tells_all_where_the_alloy_is_not_known(alloy: str | None) -> None:
    assert len({entry.alloy for entry in handbook(alloy)}) > 5


def test_cautions_ask_for_a_pressure_test_and_never_say_safe(report: Report) -> None:
    text = " ".join(report.cautions).lower()
    assert "pressure-test" in text
    assert "local codes" in text
    assert "safe" not in report_text(report).lower()

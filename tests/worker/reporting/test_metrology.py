"""Features, frames, temperature and how each U was made: from the records into the document."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from shared.report import CharacteristicRecord, FrameRecord, MeasuredFeature, Report
from tests.support.report_example import LINEAR_CAUTION, example
from worker.reporting.document import AT_20, AT_SCAN, build_report
from worker.reporting.inspected import Inspected


def feature(report: Report, name: str) -> MeasuredFeature:
    (found,) = (entry for entry in report.features if entry.id == name)
    return found


def frame(report: Report, name: str) -> FrameRecord:
    (found,) = (entry for entry in report.frames if entry.name == name)
    return found


def line(report: Report, name: str) -> CharacteristicRecord:
    (found,) = (entry for entry in report.characteristics if entry.id == name)
    return found


def test_feature_has_its_nominal_and_its_measured_figures(report: Report) -> None:
    hole = feature(report, "hole-2")
    assert (hole.kind, hole.radius_mm, hole.depth_mm, hole.is_through) == ("hole", 15.0, 34.0, True)
    assert hole.measured_size_mm is not None
    assert (hole.measured_size_mm.value, hole.measured_size_mm.U) == (30.01, 0.018)
    assert hole.offsets_mm == [(0.32, -0.31, 0.0), (0.3328, -0.3224, 0.0)]
    assert hole.reason is None


def test_feature_is_shown_at_a_place_on_its_surface(inspected: Inspected, report: Report) -> None:
    hole = feature(report, "hole-2")
    assert hole.surface_point_mm is not None
    points = inspected.measured.nominal.vertices_mm[inspected.measured.samples.face == 7]
    spacing_mm = inspected.measured.samples.spacing_mm
    assert np.linalg.norm(points - np.array(hole.surface_point_mm), axis=1).min() < spacing_mm


def test_feature_that_was_not_measured_says_why_and_has_no_figure(report: Report) -> None:
    hole = feature(report, "hole-6")
    assert hole.reason is not None
    assert (hole.measured_size_mm, hole.offset_mm, hole.tilt_deg, hole.offsets_mm) == (None, None, None, None)


def test_frame_is_told_by_its_six_numbers_at_the_middle_of_the_part(report: Report) -> None:
    found = frame(report, "best fit")
    assert found.shift_mm == pytest.approx((0.012, -0.011, 0.001), abs=1e-6)
    assert found.rotation_rad == pytest.approx((1e-5, -2e-5, 4e-5), abs=1e-9)
    assert found.U_shift_mm == pytest.approx((2 * math.sqrt(1e-5),) * 2 + (2 * math.sqrt(2e-5),), abs=1e-6)
    assert found.U_rotation_rad == pytest.approx((2e-5, 2e-5, 2 * math.sqrt(2e-10)), abs=1e-9)


def test_exactly_one_frame_is_the_one_everything_is_measured_in(report: Report) -> None:
    assert [entry.name for entry in report.frames if entry.is_used] == ["fit of the whole piece"]


def test_frame_this_piece_does_not_have_says_why(report: Report) -> None:
    found = frame(report, "C")
    assert (found.shift_mm, found.reason) == (None, "datum C: only 35 % of hole-6 was scanned")


def test_open_freedoms_are_told(report: Report) -> None:
    assert frame(report, "A-B").open_freedoms == ["turns about z"]


def test_temperature_is_told_with_its_factor(report: Report) -> None:
    # 1 / (1 + 21.5e-6 x 4) = 0.999914007
    assert report.temperature is not None
    assert report.temperature.factor == pytest.approx(0.999914007, abs=1e-9)
    assert (AT_20 in report.cautions, AT_SCAN in report.cautions) == (True, False)


def test_without_a_temperature_figures_hold_at_that_of_the_scan() -> None:
    inspected = example(4)
    plan = inspected.plan_mm.model_copy(update={"temperature": None})
    report = build_report(replace(inspected, plan_mm=plan))
    assert (report.temperature, AT_SCAN in report.cautions) == (None, True)


def test_characteristic_says_how_its_uncertainty_was_made(report: Report) -> None:
    found = line(report, "bore3.d")
    assert (found.k, found.dof, found.feature, found.probability) == (2.26, 9.0, "hole-3", 0.8686)
    assert (found.U_gum, found.U_monte_carlo) == (0.0176, 0.018)


def test_infinitely_many_degrees_of_freedom_are_absent() -> None:
    inspected = example(4)
    first = replace(inspected.characteristics[0], dof=float("inf"))
    assert build_report(replace(inspected, characteristics=(first,))).characteristics[0].dof is None


def test_caution_about_a_table_of_limits_is_told_once_and_is_no_figure() -> None:
    inspected = example(4)
    twice = tuple(replace(inspected.characteristics[2], id=name) for name in ("a", "b"))
    report = build_report(replace(inspected, characteristics=twice))
    assert report.cautions.count(LINEAR_CAUTION) == 1
    assert report.characteristics[0].limits_caution == LINEAR_CAUTION
    assert "caution" not in report.characteristics[0].details


def test_document_of_the_version_before_still_reads(report: Report) -> None:
    old = report.model_dump(exclude={"features", "frames", "temperature"}) | {"report_version": "1.0"}
    added = {"k", "dof", "frame", "feature", "probability", "limits_source", "limits_caution", "U_gum", "U_monte_carlo"}
    old["characteristics"] = [{k: v for k, v in entry.items() if k not in added} for entry in old["characteristics"]]
    assert Report.model_validate(old).features == []

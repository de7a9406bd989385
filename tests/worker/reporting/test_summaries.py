"""Summaries weigh by area, name places, and say how sure they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shared.plan import MapSettings, Piece, PieceKind, Plan, SurfaceProfile
from shared.report import DeviationSummary
from tests.support.report_example import example, not_aligned, without_plan
from worker.reporting.inspected import Inspected, map_tolerance
from worker.reporting.summaries import Summaries


@pytest.fixture(scope="module")
def summed(inspected: Inspected) -> Summaries:
    return Summaries(inspected)


@pytest.fixture(scope="module")
def deviation(summed: Summaries) -> DeviationSummary:
    assert summed.deviation is not None
    return summed.deviation


def test_coverage_is_the_measured_share_of_area(summed: Summaries) -> None:
    # one of six bores is unscanned below z = 22 of 34 mm
    part = 2 * (120 * 80 - 6 * np.pi * 15**2) + 2 * (120 + 80) * 34 + 6 * 2 * np.pi * 15 * 34
    gap = 2 * np.pi * 15 * 22
    assert summed.coverage is not None
    assert summed.coverage.measured_area_share == pytest.approx(1 - gap / part, abs=0.01)


def test_dent_is_found_with_its_depth_and_face(deviation: DeviationSummary) -> None:
    dent = next(place for place in deviation.worst if place.face == 2)
    np.testing.assert_allclose(dent.point_mm, (100.0, 0.0, 12.0), atol=2.0)
    assert -0.52 < dent.deviation_mm < -0.35  # averaged over four samples of 2.7 mm, in a dent of 6 mm (1 sigma)
    assert dent.where == "side y- (plane, face 2)"


def test_uncertainty_of_a_place_counts_scanner_noise_and_pose(deviation: DeviationSummary) -> None:
    # scanner 0.015 and scan noise 0.012, standard; the pose adds under 0.001
    assert deviation.worst[0].U_mm == pytest.approx(2 * np.hypot(0.015, 0.012), rel=0.01)


def test_place_in_a_region_is_named_by_it(deviation: DeviationSummary) -> None:
    assert {place.where for place in deviation.worst if place.face == 7} == {"bore_2"}


def test_face_of_which_little_was_seen_points_into_its_gap(deviation: DeviationSummary) -> None:
    bore = next(row for row in deviation.faces if row.name == "bore 6, face 11")
    assert bore.measured_area_share == pytest.approx(12 / 34, abs=0.05)
    assert bore.point_mm is not None
    assert bore.point_mm[2] < 22


def test_displaced_bore_has_no_mean_but_a_spread(deviation: DeviationSummary) -> None:
    bore = next(row for row in deviation.regions if row.name == "bore_2")
    assert bore.mean_mm == pytest.approx(0.0, abs=0.01)
    assert bore.rms_mm == pytest.approx(np.hypot(0.32, 0.31) / np.sqrt(2), abs=0.01)


def test_areas_of_faces_sum_to_the_part(summed: Summaries, deviation: DeviationSummary) -> None:
    assert summed.coverage is not None
    assert sum(row.area_mm2 for row in deviation.faces) == pytest.approx(summed.coverage.nominal_area_mm2)


def test_nothing_is_summed_where_nothing_was_measured() -> None:
    summed = Summaries(not_aligned(4))
    assert (summed.coverage, summed.deviation, summed.thickness, summed.U_mm) == (None, None, None, None)


def test_scan_that_shows_nothing_gives_no_figures() -> None:
    inspected = example(4)
    found = inspected.measured.deviation
    assert found is not None
    blind = replace(found, is_measured=np.zeros_like(found.is_measured))
    summed = Summaries(replace(inspected, measured=replace(inspected.measured, deviation=blind)))
    assert summed.deviation is not None
    assert summed.deviation.percentiles_mm is None
    assert summed.deviation.share_beyond_tolerance is None
    assert summed.deviation.worst == []


def plan(**changes: object) -> Plan:
    return Plan.model_validate({"firstpour_plan": "1", **changes})


@pytest.mark.parametrize(
    ("asked", "mm", "word"),
    [
        (plan(maps=MapSettings(tolerance=0.07)), 0.07, "given in the plan"),
        (plan(characteristics=(SurfaceProfile(id="a", kind="surface_profile", zone=0.6),)), 0.3, "half the plan"),
        (plan(piece=Piece(kind=PieceKind.PRINT)), 0.2, "usual for a print"),
        (plan(), 0.5, "usual for a casting"),
        (plan(piece=Piece(kind=PieceKind.MACHINED)), 0.08, "scan's noise"),
    ],
)
def test_map_tolerance_says_where_it_comes_from(asked: Plan, mm: float, word: str) -> None:
    found = map_tolerance(replace(without_plan(4), plan_mm=asked, has_plan=True))
    assert found.mm == pytest.approx(mm)
    assert word in found.source


def test_map_without_a_plan_says_so() -> None:
    assert map_tolerance(without_plan(4)).source == "no plan was given"

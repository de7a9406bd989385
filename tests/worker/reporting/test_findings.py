"""The first screen says the worst first, in both units, with how sure."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shared.report import Finding, Report
from tests.support.report_example import example, not_aligned, without_plan
from worker.records import Verdict
from worker.reporting.document import build_report


def finding_of(report: Report, characteristic: str) -> Finding:
    (found,) = (entry for entry in report.summary.findings if entry.characteristic == characteristic)
    return found


def test_displaced_core_is_told_by_axis_with_its_uncertainty_and_limit(report: Report) -> None:
    text = report.summary.findings[0].text
    assert text.startswith("Core bore_2 sits 0.448 mm (17.7 thou) off (x +0.320, y -0.310, z +0.050 mm (")
    assert "U 0.031 mm (1.2 thou): does not conform to at most 0.300 mm (11.8 thou)" in text


def test_displaced_core_says_how_to_set_it_back(report: Report) -> None:
    assert "move the core by x -0.320, y +0.310, z -0.050 mm" in report.summary.findings[0].text


def test_findings_are_ranked_wrong_then_doubt_then_note(report: Report) -> None:
    order = [("wrong", "doubt", "note").index(entry.severity) for entry in report.summary.findings]
    assert order == sorted(order)
    assert set(order) == {0, 1, 2}


@pytest.mark.parametrize(
    ("characteristic", "word"), [("bore6.pos", "was not measured"), ("bore3.d", "proven neither good nor bad")]
)
def test_what_is_open_is_a_doubt(report: Report, characteristic: str, word: str) -> None:
    found = finding_of(report, characteristic)
    assert found.severity == "doubt"
    assert word in found.text


def test_conforming_characteristics_are_no_findings(report: Report) -> None:
    assert "wall2" not in [entry.characteristic for entry in report.summary.findings]


def test_larger_excess_over_its_limit_comes_first() -> None:
    inspected = example(4)
    core, wall, *_ = inspected.characteristics
    slight = replace(core, id="slight", measured=0.34)
    report = build_report(replace(inspected, characteristics=(slight, wall, core)))
    assert [entry.characteristic for entry in report.summary.findings[:2]] == ["core2", "slight"]


def test_wall_that_lost_more_than_it_may_comes_before_a_core_a_little_too_far_off() -> None:
    inspected = example(4)
    core, wall, *_ = inspected.characteristics
    thin = replace(
        wall, measured=4.1, verdict=Verdict.DOES_NOT_CONFORM
    )  # may lose 0.5 and lost 0.9; the core 0.45 of 0.3
    report = build_report(replace(inspected, characteristics=(core, thin)))
    assert [entry.characteristic for entry in report.summary.findings[:2]] == ["wall2", "core2"]


@pytest.mark.parametrize(
    ("verdicts", "outcome"),
    [
        ({Verdict.CONFORMS}, "conforms"),
        ({Verdict.CONFORMS, Verdict.NOT_PROVEN}, "not_proven"),
        ({Verdict.CONFORMS, Verdict.NOT_MEASURED}, "not_proven"),
        ({Verdict.NOT_MEASURED}, "not_proven"),
        ({Verdict.DOES_NOT_CONFORM, Verdict.NOT_MEASURED}, "does_not_conform"),
    ],
)
def test_outcome_is_the_worst_verdict(verdicts: set[Verdict], outcome: str) -> None:
    inspected = example(4)
    line = inspected.characteristics[0]
    lines = tuple(replace(line, id=verdict.value, verdict=verdict) for verdict in sorted(verdicts))
    assert build_report(replace(inspected, characteristics=lines)).summary.outcome == outcome


def test_without_a_plan_nothing_is_judged_but_places_are_named() -> None:
    summary = build_report(without_plan(12)).summary
    assert summary.outcome == "not_judged"
    assert any(entry.text.startswith("side y- (plane, face 2): -0.") for entry in summary.findings)
    assert any(entry.text.startswith("Thin spot") for entry in summary.findings)
    assert any(entry.text.startswith("Shrink -0.20 %") for entry in summary.findings)


def test_unaligned_scan_shows_only_why() -> None:
    summary = build_report(not_aligned(4)).summary
    assert summary.outcome == "not_aligned"
    assert [entry.text for entry in summary.findings] == [
        "The scan does not fit this nominal: Only 31 % of the scan lies on the nominal in the best pose found."
    ]


def test_gap_of_a_face_and_its_region_is_told_once(report: Report) -> None:
    assert sum("scan it again" in entry.text for entry in report.summary.findings) == 1


def test_scan_without_normals_is_a_doubt() -> None:
    inspected = example(4)
    assert inspected.measured.deviation is not None
    blind = replace(inspected.measured.deviation, is_facing_known=False)
    found = build_report(replace(inspected, measured=replace(inspected.measured, deviation=blind))).summary.findings
    assert any(entry.severity == "doubt" and "no normals" in entry.text for entry in found)


def test_hole_is_told_as_size_and_departure(report: Report) -> None:
    text = finding_of(report, "bore3.d").text
    assert text.startswith(
        "Bore 3 diameter is 30.191 mm (1.1886 in), +0.191 mm (+7.5 thou) against 30.000 mm (1.1811 in), U 0.018 mm"
    )


def test_place_a_characteristic_points_at_is_not_told_again(report: Report) -> None:
    assert report.deviation is not None
    assert any(place.where == "bore_2" for place in report.deviation.worst)
    assert not any(entry.text.startswith("bore_2:") for entry in report.summary.findings)


def test_unseen_gap_is_named_where_u_is_not_the_cause() -> None:
    inspected = example(4)
    line = replace(
        inspected.characteristics[0], measured=0.1, verdict=Verdict.NOT_PROVEN, reason="only 40 % of it was seen"
    )
    text = build_report(replace(inspected, characteristics=(line,))).summary.findings[0].text
    assert text.endswith("limit at most 0.300 mm (11.8 thou): not proven, only 40 % of it was seen.")


def test_plan_without_the_scanners_figure_is_told() -> None:
    inspected = example(4)
    plan = inspected.plan_mm.model_copy(update={"scanner": None})
    found = build_report(replace(inspected, plan_mm=plan)).summary.findings
    assert any("states no uncertainty for the scanner" in entry.text for entry in found)


def test_two_alike_gaps_in_two_places_are_both_told() -> None:
    inspected = example(4)
    found = inspected.measured.deviation
    assert found is not None
    faces = inspected.measured.samples.face
    blind = replace(found, is_measured=found.is_measured & (faces != 8) & (faces != 9))
    measured = replace(inspected.measured, deviation=blind, regions=())
    texts = [entry.text for entry in build_report(replace(inspected, measured=measured)).summary.findings]
    assert sum("scan it again" in text for text in texts) == 3


def test_open_verdict_tells_its_probability_and_where_the_limits_come_from(report: Report) -> None:
    text = finding_of(report, "bore3.d").text
    assert "30.200 mm (1.1890 in), ISO 2768-m)" in text
    assert text.endswith("neither good nor bad; the probability that it conforms is 87 %.")


def test_angle_is_told_in_degrees(report: Report) -> None:
    assert finding_of(report, "deck").text.startswith(
        "Deck to side is 90.410°, +0.410° against 90.000°, U 0.050°: does"
    )


def test_position_is_told_with_its_direction_at_the_worse_end() -> None:
    inspected = example(4)
    line = replace(
        inspected.characteristics[0],
        kind="position",
        title="Bore 2",
        details={"offset_at_start_mm": (0.1, 0.0, 0.0), "offset_at_end_mm": (0.2, -0.1, 0.0)},
    )
    text = build_report(replace(inspected, characteristics=(line,))).summary.findings[0].text
    assert text.startswith("Bore 2: it needs a zone of diameter 0.448 mm (17.7 thou) (off by x +0.200, y -0.100,")


def test_without_a_plan_a_displaced_hole_is_told_by_its_id_and_axes() -> None:
    texts = [entry.text for entry in build_report(without_plan(12)).summary.findings]
    (told,) = (text for text in texts if text.startswith("hole-2, diameter 30.000 mm (1.1811 in) sits 0.463 mm"))
    assert "(x +0.333, y -0.322, z 0.000 mm (" in told
    assert not any(text.startswith("bore 2 (hole") for text in texts)  # the same displacement, seen on its face


def test_features_within_the_map_tolerance_are_no_findings() -> None:
    texts = [entry.text for entry in build_report(without_plan(12)).summary.findings]
    assert not any(text.startswith(("hole-1,", "hole-6,", "plane-1")) for text in texts)


def test_with_a_plan_features_are_left_to_its_characteristics(report: Report) -> None:
    assert not any(entry.text.startswith("hole-") for entry in report.summary.findings)


def test_figure_that_rests_on_the_cad_is_told_with_that_reason_though_it_lies_beyond_its_limit() -> None:
    inspected = example(4)
    line = replace(inspected.characteristics[0], verdict=Verdict.NOT_PROVEN, reason="'a' is taken as the CAD has it")
    text = build_report(replace(inspected, characteristics=(line,))).summary.findings[0].text
    assert text.endswith("not proven, 'a' is taken as the CAD has it.")

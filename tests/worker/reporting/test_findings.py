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
    ("characteristic", "word"), [("bore6.pos", "was not measured"), ("bore3.d", "proven either way")]
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
    summary = build_report(without_plan(4)).summary
    assert summary.outcome == "not_judged"
    assert any("side y-" in entry.text and "-0.500 mm (-19.7 thou)" in entry.text for entry in summary.findings)
    assert any(entry.text.startswith("Thin spot") for entry in summary.findings)
    assert any(entry.text.startswith("Shrink 1.10 %") for entry in summary.findings)


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
    assert inspected.coverage is not None
    coverage = inspected.coverage.model_copy(update={"is_facing_known": False})
    found = build_report(replace(inspected, coverage=coverage)).summary.findings
    assert any(entry.severity == "doubt" and "no normals" in entry.text for entry in found)

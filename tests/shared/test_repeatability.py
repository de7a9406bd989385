"""Several reports of one piece: spread, what cannot be compared, and bias by substitution."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from shared.errors import FileRejected, RequestInvalid
from shared.repeatability import Calibrated, Repeatability, repeatability, substitution
from tests.support.fake_pipeline import make_report
from worker.job_records import InputFile, InspectionJob


def report(
    values: dict[str, float | None], *, scan: str, nominal: str = "n", plan: str | None = "p", version: str = "1"
) -> dict[str, Any]:
    files = [("nominal", nominal), ("scan", scan), ("core port", "c")]
    return {
        "provenance": {
            "firstpour_version": version,
            "plan_sha256": plan,
            "files": [{"name": f"{sha}.stl", "role": role, "sha256": sha} for role, sha in files],
        },
        "characteristics": [
            {
                "id": line,
                "kind": "size",
                "title": line,
                "unit": "mm",
                "measured": value,
                "U": None if value is None else 0.01,
                "reason": "too little seen" if value is None else None,
                "details": {},
            }
            for line, value in values.items()
        ],
    }


def of(*values: float | None) -> dict[str, Any]:
    return {f"r{index}": report({"C1": value}, scan=f"s{index}") for index, value in enumerate(values)}


def test_mean_and_spread_are_those_of_the_sample() -> None:
    (line,) = repeatability(of(10.0, 10.02, 10.04)).lines
    assert (line.n, line.dof) == (3, 2)
    assert line.mean == pytest.approx(10.02)
    assert line.standard_deviation == pytest.approx(0.02)
    assert line.range == pytest.approx(0.04)


def test_few_scans_are_paid_for_by_students_factor() -> None:
    (line,) = repeatability(of(10.0, 10.02, 10.04)).lines
    assert line.k == pytest.approx(4.53, abs=0.005)  # JCGM 100, Table G.2, 2 degrees of freedom
    assert pytest.approx(4.53 * 0.02, abs=2e-4) == line.U


def test_what_was_not_measured_somewhere_is_said() -> None:
    (line,) = repeatability(of(10.0, None, 10.04)).lines
    assert (line.n, line.missing) == (2, {"r1": "too little seen"})


@pytest.mark.parametrize(("values", "n"), [((None, None), 0), ((10.0, None), 1)])
def test_fewer_than_two_values_have_no_spread(values: Sequence[float | None], n: int) -> None:
    (line,) = repeatability(of(*values)).lines
    assert (line.n, line.standard_deviation, line.U, line.k, line.dof) == (n, None, None, None, 0)


def test_a_bias_already_subtracted_is_added_again() -> None:
    reports = of(10.0, 10.0)
    reports["r1"]["characteristics"][0]["details"] = {"bias_removed": 0.5}
    (line,) = repeatability(reports).lines
    assert line.range == pytest.approx(0.5)


def test_a_line_that_one_report_lacks_is_missing_there() -> None:
    reports = of(10.0, 10.0)
    reports["r1"]["characteristics"] = []
    assert repeatability(reports).lines[0].missing == {"r1": "not in the report"}


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"nominal": "other"}, "another nominal or cores than r0: r1, r2"),
        ({"plan": "other"}, "another plan than r0: r1, r2"),
        ({"scan": "s0"}, "r1 and r0 are of the same scan"),
    ],
)
def test_reports_that_do_not_compare_are_named(changed: dict[str, str], words: str) -> None:
    reports = of(10.0)
    for index in (1, 2):
        reports[f"r{index}"] = report({"C1": 10.0}, **({"scan": f"s{index}"} | changed))
    with pytest.raises(RequestInvalid, match=words):
        repeatability(reports)


def test_a_report_as_a_record_is_read_as_its_json_is() -> None:
    nominal, scan = (InputFile(Path(name), name) for name in ("n.step", "s.stl"))
    record = make_report(InspectionJob(title="quick", nominal=nominal, scan=scan), "Invented.")
    with pytest.raises(RequestInvalid, match="first was made without a plan"):
        repeatability({"first": record, "second": record.model_dump(mode="json")})


def test_other_cores_do_not_compare() -> None:
    reports = of(10.0, 10.0)
    reports["r1"]["provenance"]["files"].pop()
    with pytest.raises(RequestInvalid, match="another nominal or cores than r0: r1"):
        repeatability(reports)


@pytest.mark.parametrize(
    ("reports", "words"),
    [({}, "shows no repeatability"), (of(1.0), "shows no repeatability"),
     ({f"r{n}": report({}, scan=f"s{n}", plan=None) for n in (0, 1)}, "r0 was made without a plan")],
)  # fmt: skip
def test_nothing_to_compare_is_said(reports: dict[str, Any], words: str) -> None:
    with pytest.raises(RequestInvalid, match=words):
        repeatability(reports)


@pytest.mark.parametrize("wrong", [{}, {"provenance": 1}, {"characteristics": []}])
def test_what_is_no_report_is_refused_by_name(wrong: dict[str, Any]) -> None:
    with pytest.raises(FileRejected, match="r1 is not a report") as caught:
        repeatability(of(10.0) | {"r1": wrong})
    assert caught.value.file == "r1"


def test_different_versions_are_noted() -> None:
    reports = of(10.0) | {"r1": report({"C1": 10.0}, scan="s1", version="2")}
    assert repeatability(reports).notes == ("The reports were made by different versions: 1, 2.",)


def twenty() -> Repeatability:
    """Ten at 25.004 and ten at 25.006: mean 25.005, variance 20/19 of 1e-6."""
    return repeatability(of(*([25.004] * 10 + [25.006] * 10)))


S = 0.001 * math.sqrt(20 / 19)


def test_substitution_adds_the_four_parts_in_quadrature() -> None:
    # ISO 15530-3:2011 (from memory): U = k sqrt(u_cal^2 + u_p^2 + u_b^2 + u_w^2), k = 2
    value = Calibrated(id="C1", value=25.0, expanded_uncertainty=0.001, workpiece_u=0.002, bias_u=0.0003)
    found = substitution(twenty(), [value], cycle_count=10)
    (line,) = found.lines
    assert line.bias == pytest.approx(0.005)
    assert (line.u_cal, line.u_p, line.u_b, line.u_w) == pytest.approx((0.0005, S, 0.0003, 0.002))
    assert pytest.approx(2 * math.sqrt(0.0005**2 + S**2 + 0.0003**2 + 0.002**2)) == line.U
    assert found.unmet == ()


def test_the_bias_is_as_sure_as_the_mean_unless_said_otherwise() -> None:
    (line,) = substitution(twenty(), [Calibrated(id="C1", value=25.0, expanded_uncertainty=0)]).lines
    assert line.u_b == pytest.approx(S / math.sqrt(20))


def test_conditions_that_are_not_met_are_said() -> None:
    value = Calibrated(id="C1", value=10.0, expanded_uncertainty=0.001)
    few = substitution(repeatability(of(10.0, 10.01)), [value], cycle_count=2)
    assert few.unmet == ("fewer than 20 measurements: C1 (2)", "the piece was set up anew 2 times; 10 are asked for")
    assert "not stated" in substitution(twenty(), [value]).unmet[0]


@pytest.mark.parametrize(
    ("line", "reports", "words"),
    [("C9", of(1.0, 1.0), "no characteristic C9"), ("C1", of(1.0, None), "measured in 1 of the reports")],
)
def test_a_calibrated_value_without_its_measurements_is_refused(line: str, reports: dict[str, Any], words: str) -> None:
    with pytest.raises(RequestInvalid, match=words):
        substitution(repeatability(reports), [Calibrated(id=line, value=1.0, expanded_uncertainty=0.001)])

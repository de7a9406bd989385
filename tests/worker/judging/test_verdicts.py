from __future__ import annotations

import pytest

from worker.judging.verdicts import NO_LIMIT, acceptance_limits, conformance_probability, judge
from worker.records import Limits, Verdict

OPEN = Limits(None, None)


@pytest.mark.parametrize(
    ("measured", "U", "lower", "upper", "verdict"),
    [
        (3.16, 0.16, 3.0, None, Verdict.CONFORMS),  # a wall of at least 3.0 with u = 0.08: 3.16 is the least accepted
        (3.12, 0.16, 3.0, None, Verdict.NOT_PROVEN),
        (2.84, 0.16, 3.0, None, Verdict.DOES_NOT_CONFORM),
        (2.85, 0.16, 3.0, None, Verdict.NOT_PROVEN),
        (10.03, 0.04, 9.95, 10.05, Verdict.NOT_PROVEN),  # the interval 9.99 to 10.07 crosses the limit
        (10.0, 0.04, 9.95, 10.05, Verdict.CONFORMS),
        (10.10, 0.04, 9.95, 10.05, Verdict.DOES_NOT_CONFORM),
        (10.0, 0.2, 9.95, 10.05, Verdict.NOT_PROVEN),  # nothing this unsure fits a zone this narrow
        (0.4, 0.0, None, 0.4, Verdict.CONFORMS),
    ],
)
def test_iso_14253_1_at_two_sigma(
    measured: float, U: float, lower: float | None, upper: float | None, verdict: Verdict
) -> None:
    assert judge(measured, U, Limits(lower, upper))[0] is verdict


def test_without_limits_nothing_is_proven_and_it_says_why() -> None:
    assert judge(1.0, 0.1, OPEN) == (Verdict.NOT_PROVEN, NO_LIMIT)


def test_what_is_not_proven_says_why() -> None:
    assert judge(0.39, 0.05, Limits(None, 0.4))[1] == "the uncertainty reaches across a limit"


@pytest.mark.parametrize(
    ("y", "u", "lower", "upper", "expected"),
    [
        (13.6, 1.8, 12.5, 16.3, 0.6626),  # JCGM 106:2012, 7.4
        (-5.47, 0.05, None, -5.40, 0.919),  # JCGM 106:2012, 7.3.3 example 1 (inputs from memory)
        (509.7, 8.6, 490.0, None, 0.989),  # JCGM 106:2012, 7.3.3 example 2 (inputs from memory)
        (3.12, 0.08, 3.0, None, 0.9332),
        (3.0, 0.08, 3.0, None, 0.5),
    ],
)
def test_conformance_probability(y: float, u: float, lower: float | None, upper: float | None, expected: float) -> None:
    assert conformance_probability(y, u, Limits(lower, upper)) == pytest.approx(expected, abs=6e-4)


@pytest.mark.parametrize(
    ("lower", "upper", "sigma", "probability", "expected"),
    [
        (3.0, None, 0.08, 0.95, (3.132, None)),  # a wall of at least 3 mm: 1.645 u inside its limit
        (3.0, None, 0.08, 0.975, (3.157, None)),
        (-0.2, 0.2, 0.02, 0.95, (-0.1671, 0.1671)),  # acceptance width 0.3342 of 0.4
    ],
)
def test_acceptance_limits_leave_the_stated_risk(
    lower: float | None, upper: float | None, sigma: float, probability: float, expected: tuple[float, float | None]
) -> None:
    """Guard factors 1.6449 and 1.9600 of JCGM 106:2012, 8.3.2, for 95 and 97.5 %."""
    found = acceptance_limits(Limits(lower, upper), sigma, probability)
    assert (found.lower, found.upper) == pytest.approx(expected, abs=5e-4)


def test_at_its_acceptance_limit_a_value_conforms_with_the_stated_probability() -> None:
    limits = Limits(3.0, None)
    edge = acceptance_limits(limits, 0.08).lower
    assert edge is not None
    assert conformance_probability(edge, 0.08, limits) == pytest.approx(0.95)

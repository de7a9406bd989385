"""The decision rule: ISO 14253-1 with expanded uncertainty."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri

from worker.records import Limits, Verdict

COVERAGE_FACTOR = 2.0
DECISION_RULE = (
    "ISO 14253-1 with the expanded uncertainty U at a coverage probability of 95 % (k = 2, or Student's factor where "
    "few degrees of freedom stand behind it): a value conforms when it lies inside its limits by at least U, "
    "does not conform when it lies outside by at least U, and is not proven in between. "
    "What was not measured never conforms."
)
NO_LIMIT = "no limit given"


def judge(measured: float, U: float, limits: Limits) -> tuple[Verdict, str | None]:
    """Verdict on a value with its expanded uncertainty, and the reason where it proves nothing.

    A value exactly U inside its limit conforms; exactly U outside does not.
    """
    if limits.lower is None and limits.upper is None:
        return Verdict.NOT_PROVEN, NO_LIMIT
    room_below = np.inf if limits.lower is None else measured - limits.lower
    room_above = np.inf if limits.upper is None else limits.upper - measured
    room = min(room_below, room_above)
    slack = 1e-9 * max(1.0, abs(measured))  # so that a decimal written in the plan is met by its own value
    if room >= U - slack:
        return Verdict.CONFORMS, None
    if room <= -U + slack:
        return Verdict.DOES_NOT_CONFORM, None
    return Verdict.NOT_PROVEN, "the uncertainty reaches across a limit"


def conformance_probability(measured: float, sigma: float, limits: Limits) -> float:
    """Probability that the true value lies within its limits (JCGM 106:2012, section 7.4).

    sigma : standard uncertainty, > 0
    """
    below = 0.0 if limits.lower is None else float(ndtr((limits.lower - measured) / sigma))
    above = 1.0 if limits.upper is None else float(ndtr((limits.upper - measured) / sigma))
    return above - below


def acceptance_limits(limits: Limits, sigma: float, probability: float = 0.95) -> Limits:
    """Limits within which a measured value shows conformance with this probability, one side at a time.

    Guard factor of JCGM 106:2012, 8.3.2 for a limit far from the other: the normal quantile, 1.645 at 95 %.
    """
    guard = float(ndtri(probability)) * sigma
    lower = None if limits.lower is None else limits.lower + guard
    upper = None if limits.upper is None else limits.upper - guard
    return Limits(lower, upper)

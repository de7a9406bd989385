"""What a line asks for and nominal does not have, or the scan does not show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from worker.features.records import Feature
from worker.judging.finding import Unmeasured
from worker.judging.kinds_of_size import unmeasured_feature
from worker.judging.limits import unfit
from worker.judging.measured import Measured
from worker.judging.nominal_offsets import Misfit
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.seen import NotMeasured

Found = TypeVar("Found")


def fitting(found: Found | Misfit, line_id: str) -> Found:
    """What was found on nominal.

    Raises
    ------
    PlanInvalid
        If it is a misfit.

    """
    if isinstance(found, Misfit):
        raise unfit(f"characteristic {line_id}", found.what, found.advice)
    return found


def all_measured(features: Sequence[Feature], measured: Measured) -> list[MeasuredFeature] | Unmeasured:
    """Every feature as the scan shows it, or why the first of them it does not show was not measured."""
    found: list[MeasuredFeature] = []
    for feature in features:
        one = measured.measured_feature(feature)
        if isinstance(one, NotMeasured):
            return unmeasured_feature(one, feature, measured)
        found.append(one)
    return found

"""Nominal and the aligned piece together: what features are measured from."""

from __future__ import annotations

from dataclasses import dataclass

from worker.records import Deviation, Nominal, Samples, Shrink


@dataclass(frozen=True, eq=False)
class Seen:
    """shrink : of the piece, to be taken out where a plan asks for it; None where it is not known."""

    nominal: Nominal
    samples: Samples
    deviation: Deviation
    shrink: Shrink | None = None


@dataclass(frozen=True)
class NotMeasured:
    """Why something could not be measured."""

    reason: str

"""Nominal and the aligned piece together: what features are measured from."""

from __future__ import annotations

from dataclasses import dataclass

from worker.fitting.records import Refusal
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
    """Why something could not be measured: a sentence for people, and a code where fitting gave one."""

    reason: str
    code: Refusal | None = None

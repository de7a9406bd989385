"""Everything one inspection found, bundled for the report."""

from __future__ import annotations

from dataclasses import dataclass

from shared.report import Coverage, DeviationSummary, Provenance, Run, ThicknessSummary
from worker.records import Alignment, Characteristic, Deviation, Floats, Nominal, Region, Samples, Thickness


@dataclass(frozen=True, eq=False, kw_only=True)
class Allowance:
    """The pattern's shrink allowance, percent of the casting's length, and who said so."""

    percent: float
    source: str
    alloy: str | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Inspected:
    """The frozen records of every stage, and the summaries made from them.

    deviation, thickness and the summaries are None when the scan could not be aligned.
    has_plan : False when nobody said what to judge
    tolerance_mm, tolerance_source : of the map; nothing is judged by it
    deviation_U_mm : (s,) expanded uncertainty (k = 2) of the deviation at each sample, or None
        to show scan noise alone
    """

    title: str
    nominal: Nominal
    samples: Samples
    alignment: Alignment
    deviation: Deviation | None
    thickness: Thickness | None
    coverage: Coverage | None
    deviation_summary: DeviationSummary | None
    thickness_summary: ThicknessSummary | None
    characteristics: tuple[Characteristic, ...]
    regions: tuple[Region, ...]
    has_plan: bool
    tolerance_mm: float
    tolerance_source: str
    allowance: Allowance
    provenance: Provenance
    run: Run
    deviation_U_mm: Floats | None = None

"""Everything one inspection found, bundled for the report."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import PieceKind, Plan
from shared.report import Provenance, Run
from shared.units import LengthUnit
from worker.exhibits import Section
from worker.judging.feature_lines import FeatureLine
from worker.judging.frame_lines import FrameLine
from worker.judging.measured import Measured
from worker.records import Characteristic

# Where nobody said how far off is worth a colour; common practice, no source.
TOLERANCES_MM = {PieceKind.PRINT: 0.2, PieceKind.CASTING: 0.5, PieceKind.MACHINED: 0.05}
UNPLANNED_TOLERANCE_MM = 0.25  # print or casting, nobody said; common practice, no source
NOISE_FACTOR = 4.0  # a tolerance below four sigma of the scan would colour its noise


@dataclass(frozen=True, eq=False, kw_only=True)
class Inspected:
    """What the stages found, and what was asked.

    plan_mm : lengths in mm already; the empty plan where none was given
    has_plan : False when nobody said what to judge
    characteristics : as judged, in the plan's order
    features, frames : every one, whether the plan speaks of it or not
    sections : what was tried and solved beyond judging
    shown_unit : what the page shows first, usually the plan's or the caller's
    """

    title: str
    plan_mm: Plan
    has_plan: bool
    measured: Measured
    characteristics: tuple[Characteristic, ...]
    provenance: Provenance
    run: Run
    shown_unit: LengthUnit = LengthUnit.MILLIMETRE
    features: tuple[FeatureLine, ...] = ()
    frames: tuple[FrameLine, ...] = ()
    sections: tuple[Section, ...] = ()


@dataclass(frozen=True)
class MapTolerance:
    """Where the deviation map starts to colour, and who said so; nothing is judged by it."""

    mm: float
    source: str


def map_tolerance(inspected: Inspected) -> MapTolerance:
    """The plan's; else half its narrowest profile zone; else a usual figure, but never below the scan's noise."""
    plan = inspected.plan_mm
    if plan.maps.tolerance is not None:
        return MapTolerance(plan.maps.tolerance, "given in the plan")
    zones = [line.zone for line in plan.characteristics if line.kind == "surface_profile"]
    if zones:
        return MapTolerance(min(zones) / 2, "half the plan's narrowest profile zone")
    kind = plan.piece.kind
    usual = MapTolerance(TOLERANCES_MM[kind], f"usual for a {kind.value}, none was given")
    if not inspected.has_plan:
        usual = MapTolerance(UNPLANNED_TOLERANCE_MM, "no plan was given")
    deviation = inspected.measured.deviation
    noise = 0.0 if deviation is None or not np.isfinite(deviation.noise_sigma_mm) else deviation.noise_sigma_mm
    least = NOISE_FACTOR * noise
    return usual if least <= usual.mm else MapTolerance(least, f"{NOISE_FACTOR:g} x the scan's noise, none was given")

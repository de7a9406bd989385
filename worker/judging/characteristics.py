"""Each line of the plan, measured and judged.

A kind of characteristic is one class in ``shared.plan`` and one function here, entered in
``MEASURE``.  The function measures and states its standard uncertainties by source; the verdict is
made in one place for all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from shared.plan import Plan
from worker.judging import kinds_of_feature, kinds_of_surface
from worker.judging.finding import Finding, Unmeasured
from worker.judging.measured import Measured
from worker.judging.uncertainty import expanded
from worker.judging.verdicts import conformance_probability, judge
from worker.records import Characteristic, Limits, Verdict

Measure = Callable[[Any, Plan, Measured], "Finding | Unmeasured"]

MEASURE: Mapping[str, Measure] = {
    "surface_profile": kinds_of_surface.surface_profile,
    "wall_thickness": kinds_of_surface.wall_thickness,
    "core_displacement": kinds_of_feature.core_displacement,
    "hole_position": kinds_of_feature.hole_position,
    "hole_diameter": kinds_of_feature.hole_diameter,
    "shrink": kinds_of_feature.shrink,
}
UNITS: Mapping[str, str] = {"shrink": "percent"}  # all others are lengths


def judge_plan(plan_mm: Plan, measured: Measured) -> tuple[Characteristic, ...]:
    """All lines of the plan in its order.

    plan_mm : lengths in millimetres already (``Plan.to_mm``)

    A scan that is not aligned leaves every line not measured, with that reason.

    Raises
    ------
    PlanInvalid
        If a line names a hole or a region the part does not have.

    """
    return tuple(_judged(line, plan_mm, measured) for line in plan_mm.characteristics)


def limits_of(line: Any) -> Limits:
    """The line's limits, in mm or percent."""
    return _LIMITS[line.kind](line)


def _judged(line: Any, plan: Plan, measured: Measured) -> Characteristic:
    why_not = measured.why_not
    found = Unmeasured(why_not) if why_not else MEASURE[line.kind](line, plan, measured)
    base = _Base(line.id, line.kind, line.title or default_title(line), UNITS.get(line.kind, "mm"), limits_of(line))
    region = getattr(line, "region", None)
    if isinstance(found, Unmeasured):
        return base.unmeasured(found, region)
    return base.judged(found, region)


@dataclass(frozen=True)
class _Base:
    """What a line says of itself."""

    id: str
    kind: str
    title: str
    unit: str
    limits: Limits

    def unmeasured(self, found: Unmeasured, region: str | None) -> Characteristic:
        return Characteristic(
            id=self.id,
            kind=self.kind,
            title=self.title,
            unit=self.unit,
            nominal=None,
            measured=None,
            U=None,
            limits=self.limits,
            verdict=Verdict.NOT_MEASURED,
            reason=found.reason,
            point_mm=found.point_mm,
            region=region,
            details=found.details,
            sample_mask=found.sample_mask,
        )

    def judged(self, found: Finding, region: str | None) -> Characteristic:
        U = expanded(found.budget)
        verdict, reason = judge(found.value, U, self.limits)
        if verdict is Verdict.CONFORMS and found.gap is not None:
            verdict, reason = Verdict.NOT_PROVEN, found.gap
        details = dict(found.details)
        if U > 0 and (self.limits.lower, self.limits.upper) != (None, None):
            details["conformance_probability"] = conformance_probability(found.value, U / 2, self.limits)
        return Characteristic(
            id=self.id,
            kind=self.kind,
            title=self.title,
            unit=self.unit,
            nominal=found.nominal,
            measured=found.value,
            U=U,
            limits=self.limits,
            verdict=verdict,
            reason=reason,
            point_mm=found.point_mm,
            region=region,
            budget=found.budget,
            details=details,
            sample_mask=found.sample_mask,
        )


def default_title(line: Any) -> str:
    """What a line without a title is called."""
    where = getattr(line, "region", None)
    if where is None and getattr(line, "face", None) is not None:
        where = f"face {line.face}"
    if where is None and getattr(line, "axis", None) is not None:
        where = str(line.axis)
    words = str(line.kind).replace("_", " ").capitalize()
    return f"{words}, {where}" if where else words


_LIMITS: Mapping[str, Callable[[Any], Limits]] = {
    "surface_profile": lambda line: Limits(None, line.zone),
    "wall_thickness": lambda line: Limits(line.least, None),
    "core_displacement": lambda line: Limits(None, line.most),
    "hole_position": lambda line: Limits(None, line.zone_diameter),
    "hole_diameter": lambda line: Limits(line.lower_deviation, line.upper_deviation),
    "shrink": lambda line: Limits(line.lower_percent, line.upper_percent),
}

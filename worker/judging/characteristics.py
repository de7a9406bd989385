"""Each line of the plan, measured and judged.

A kind of characteristic is one class in ``shared.plan`` and one function here, entered in
``MEASURE``.  The function measures and states what its value depends on; nominal and limits come
from ``limits``; uncertainty and verdict are made in one place for all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from shared.plan import Plan, Substitution, UncertaintyMethod
from worker.judging import (
    kinds_of_cavity,
    kinds_of_core,
    kinds_of_fastener,
    kinds_of_fastener_sites,
    kinds_of_form,
    kinds_of_mock_up,
    kinds_of_offset,
    kinds_of_orientation,
    kinds_of_passage,
    kinds_of_place,
    kinds_of_port,
    kinds_of_runout,
    kinds_of_sibling,
    kinds_of_size,
    kinds_of_surface,
    kinds_of_wall,
    kinds_of_walls_between,
)
from worker.judging.finding import Finding, Unmeasured
from worker.judging.limits import LineLimits, limits_of
from worker.judging.measured import Measured
from worker.judging.propagation import Propagated, Simulated, propagate, rng_of, simulate
from worker.judging.verdicts import conformance_probability, judge
from worker.records import Characteristic, Limits, Verdict

Measure = Callable[[Any, Plan, Measured], "Finding | Unmeasured"]

MEASURE: Mapping[str, Measure] = {
    "size": kinds_of_size.size,
    "distance": kinds_of_size.distance,
    "angle": kinds_of_size.angle,
    "flatness": kinds_of_form.flatness,
    "straightness": kinds_of_form.straightness,
    "roundness": kinds_of_form.roundness,
    "cylindricity": kinds_of_form.cylindricity,
    "parallelism": kinds_of_orientation.orientation,
    "perpendicularity": kinds_of_orientation.orientation,
    "angularity": kinds_of_orientation.orientation,
    "position": kinds_of_place.position,
    "coaxiality": kinds_of_place.coaxiality,
    "circular_runout": kinds_of_runout.circular_runout,
    "total_runout": kinds_of_runout.total_runout,
    "surface_profile": kinds_of_surface.surface_profile,
    "line_profile": kinds_of_surface.line_profile,
    "wall_thickness": kinds_of_wall.wall_thickness,
    "wall_between": kinds_of_walls_between.wall_between,
    "room_to_remove": kinds_of_walls_between.room_to_remove,
    "rod_passage": kinds_of_passage.rod_passage,
    "machining_allowance": kinds_of_surface.machining_allowance,
    "core_displacement": kinds_of_core.core_displacement,
    "fastener": kinds_of_fastener.fastener,
    "fastener_line": kinds_of_fastener.fastener_line,
    "fastener_sites": kinds_of_fastener_sites.fastener_sites,
    "port_area": kinds_of_port.port_area,
    "port_volume": kinds_of_port.port_volume,
    "port_sibling": kinds_of_port.port_sibling,
    "shrink": kinds_of_core.shrink,
    "section_offset": kinds_of_offset.section_offset,
    "pocket_depth": kinds_of_offset.pocket_depth,
    "cavity_volume": kinds_of_cavity.cavity_volume,
    "sibling_offset": kinds_of_sibling.sibling_offset,
    "clearance": kinds_of_mock_up.clearance,
}
UNITS: Mapping[str, str] = {
    "shrink": "percent",
    "angle": "deg",
    "port_area": "mm2",
    "port_volume": "mm3",
    "fastener_sites": "count",
    "cavity_volume": "cc",
}  # all others are lengths


def judge_plan(plan_mm: Plan, measured: Measured, *, seed: int = 0) -> tuple[Characteristic, ...]:
    """All lines of the plan in its order.

    plan_mm : lengths in millimetres already (``Plan.to_mm``);  seed : of Monte Carlo, where the plan asks for it

    A scan that is not aligned leaves every line not measured, with that reason.

    Raises
    ------
    PlanInvalid
        If a line names a feature or a region the part does not have.

    """
    return tuple(judge_line(line, plan_mm, measured, seed=seed) for line in plan_mm.characteristics)


def judge_line(line: Any, plan: Plan, measured: Measured, *, seed: int = 0) -> Characteristic:
    """One line of the plan, measured and judged; arguments as for :func:`judge_plan`."""
    stated = limits_of(line, plan, measured)
    base = _base(line, stated, measured)
    why_not = measured.why_not
    found = Unmeasured(why_not) if why_not else MEASURE[line.kind](line, plan, measured)
    told = [text for text in (stated.caution, found.caution) if text is not None]
    caution: dict[str, str] = {"caution": " ".join(told)} if told else {}
    if isinstance(found, Unmeasured):
        return replace(
            base,
            reason=found.reason,
            point_mm=found.point_mm,
            details=caution | dict(found.details),
            sample_mask=found.sample_mask,
            exhibits=found.exhibits,
        )
    return _with_verdict(replace(base, details=caution), found, plan, seed)


def _base(line: Any, stated: LineLimits, measured: Measured) -> Characteristic:
    """What a line says of itself, not measured yet."""
    pick = getattr(line, "feature", None) or getattr(line, "first", None)
    return Characteristic(
        id=line.id,
        kind=line.kind,
        title=line.title or default_title(line),
        unit=UNITS.get(line.kind, "mm"),
        nominal=stated.nominal,
        measured=None,
        U=None,
        limits=stated.limits,
        verdict=Verdict.NOT_MEASURED,
        reason=None,
        point_mm=None,
        region=getattr(line, "region", None),
        frame=getattr(line, "frame", None) or getattr(line, "datum", None),
        feature=None if pick is None else measured.feature(pick, f"characteristic {line.id}").id,
        limits_source=stated.source,
    )


def _with_verdict(base: Characteristic, found: Finding, plan: Plan, seed: int) -> Characteristic:
    """Uncertainty, a substitution where the plan has one, and the verdict."""
    base = _at_its_place(base, found)
    gum = _with_zero(propagate(found.model, found.inputs, least=found.least), found)
    drawn = _simulated(base, found, plan, seed)
    entry = next((entry for entry in plan.substitution if entry.id == base.id), None)
    value, U = gum.value, gum.U if drawn is None else max(drawn.U, gum.U if gum.value <= found.by_chance else 0.0)
    if entry is not None:
        value, U = value - entry.bias, max(U, entry.expanded_uncertainty)
    limits = _with_bonus(base.limits, found.bonus_mm)
    verdict, reason = judge(value, U, limits)
    is_open = verdict is Verdict.CONFORMS or (verdict is Verdict.DOES_NOT_CONFORM and found.is_assumed)
    if is_open and found.gap is not None:
        verdict, reason = Verdict.NOT_PROVEN, found.gap
    return replace(
        base,
        measured=value,
        U=U,
        k=gum.k if drawn is None else None,
        dof=None if np.isinf(gum.dof) else gum.dof,
        limits=limits,
        verdict=verdict,
        reason=reason,
        point_mm=found.point_mm,
        budget=gum.contributions,
        details=dict(base.details) | dict(found.details) | _substituted(entry) | _bonus(found, base.limits),
        sample_mask=found.sample_mask,
        frame=found.frame or base.frame,
        probability=_probability(value, U, limits, gum, drawn),
        U_gum=None if drawn is None else gum.U,
        U_monte_carlo=None if drawn is None else drawn.U,
        exhibits=found.exhibits,
    )


def _at_its_place(base: Characteristic, found: Finding) -> Characteristic:
    """Nominal and limits of the place that counts, where they depend on it."""
    nominal = base.nominal if found.nominal is None else found.nominal
    if found.limits is None:
        return replace(base, nominal=nominal)
    stated = found.limits
    caution = {} if stated.caution is None else {"caution": stated.caution}
    limits = Limits(stated.lower, stated.upper)
    return replace(
        base, nominal=nominal, limits=limits, limits_source=stated.source, details=dict(base.details) | caution
    )


def _simulated(base: Characteristic, found: Finding, plan: Plan, seed: int) -> Simulated | None:
    if plan.uncertainty.method is not UncertaintyMethod.MONTE_CARLO:
        return None
    rng = rng_of(seed, base.id)
    return simulate(found.model, found.inputs, draws=plan.uncertainty.draws, rng=rng, least=found.least)


def _with_zero(gum: Propagated, found: Finding) -> Propagated:
    """U reaches down to nothing where chance alone could have made the whole length."""
    if gum.sigma <= 0 or not gum.U < gum.value <= found.by_chance:
        return gum
    return replace(gum, U=gum.value, k=gum.value / gum.sigma)


def _with_bonus(limits: Limits, bonus_mm: float) -> Limits:
    return limits if limits.upper is None else Limits(limits.lower, limits.upper + bonus_mm)


def _bonus(found: Finding, stated: Limits) -> dict[str, float]:
    if found.bonus_mm == 0.0 or stated.upper is None:
        return {}
    return {"bonus_mm": found.bonus_mm, "stated_zone_mm": stated.upper}


def _substituted(entry: Substitution | None) -> dict[str, float | str]:
    if entry is None:
        return {}
    told = {} if entry.statement is None else {"substitution_statement": entry.statement}
    return {"bias_removed": entry.bias, "U_substitution": entry.expanded_uncertainty, **told}


def _probability(value: float, U: float, limits: Limits, gum: Propagated, drawn: Simulated | None) -> float | None:
    """Probability of conformance (JCGM 106); from the draws where there are any."""
    if (limits.lower, limits.upper) == (None, None) or U <= 0:
        return None
    if drawn is not None:
        moved = drawn.draws + (value - drawn.value)
        low = -np.inf if limits.lower is None else limits.lower
        high = np.inf if limits.upper is None else limits.upper
        return float(np.mean((moved >= low) & (moved <= high)))
    return conformance_probability(value, U / gum.k, limits)


def default_title(line: Any) -> str:
    """What a line without a title is called."""
    words = str(line.kind).replace("_", " ").capitalize()
    for key in ("region", "feature", "first", "axis", "body"):
        where = getattr(line, key, None)
        if where is not None:
            second = getattr(line, "second", None)
            return f"{words}, {where}" + (f" to {second}" if second is not None else "")
    return words

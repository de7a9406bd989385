"""From a line of the plan and its nominal value to the limits it is judged against."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from shared.errors import PlanInvalid
from shared.plan import Angle, Distance, MachiningAllowance, Plan, Position, Size, WallThickness
from shared.plan.offsets import PocketDepth, SectionOffset
from shared.tolerances import iso_2768, iso_8062
from shared.tolerances.expansion import expansion_of
from shared.tolerances.iso_286 import fit_deviations_mm, grade_mm
from shared.units import LengthUnit

Length = Size | Distance | Position | SectionOffset | PocketDepth
Limited = Length | Angle | WallThickness | MachiningAllowance
DEVIATIONS = "deviations in the plan"
NO_LIMITS = "it states no limits, and the plan has no general_tolerance that could"


@dataclass(frozen=True)
class ResolvedLimits:
    """Least and largest permitted value, millimetres or (of an angle) degrees; None is no limit.

    source : where they come from, for the report
    caution : what the reader of the report must know about that source
    """

    lower: float | None
    upper: float | None
    source: str
    caution: str | None = None


def resolve_limits(
    line: Limited, nominal: float, plan_mm: Plan, *, shorter_side_mm: float | None = None
) -> ResolvedLimits:
    """Limits of one line.

    line, plan_mm : lengths in millimetres already (:meth:`Plan.to_mm`)
    nominal : what the CAD says, mm: size, distance, or wall at its worst place; degrees for an
        angle; the part's largest overall dimension for a machining allowance.  The line's own
        ``nominal``, where it has one, rules.
    shorter_side_mm : length of the shorter side of an angle, which ISO 2768-1 goes by

    A position's limits are those of the size its bonus is taken from.

    Raises
    ------
    PlanInvalid
        If the line states no limits and none apply to it, or a table does not reach so far.

    """
    if plan_mm.unit is not LengthUnit.MILLIMETRE:
        raise ValueError("the plan is not in millimetres")
    try:
        if isinstance(line, Angle):
            return _angle(line, nominal, plan_mm, shorter_side_mm)
        if isinstance(line, WallThickness):
            return _wall(line, nominal)
        if isinstance(line, MachiningAllowance):
            return _allowance(line, nominal)
        return _length(line, nominal, plan_mm)
    except PlanInvalid as error:
        raise PlanInvalid(
            f"Characteristic {line.id}: {error.message}", advice=error.advice, faults=[f"{line.id}: {error.message}"]
        ) from error


def general_half_mm(general: str, size_mm: float) -> tuple[float, str | None]:
    """Permitted deviation, plus and minus, of a length under a general class, and the caution that goes with it.

    Raises
    ------
    PlanInvalid
        If the class has no value for that size.

    """
    if general.startswith("ISO 2768-"):
        return iso_2768.linear_mm(general[-1], size_mm), None
    grade = int(general.rsplit(maxsplit=1)[-1].removeprefix("IT"))
    if general.startswith("ISO 8062-3"):
        return iso_8062.dctg_band_mm(grade, size_mm) / 2, iso_8062.INDICATED_ONLY
    return grade_mm(grade, size_mm) / 2, None


def limit_faults(plan: Plan) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """(path, fault) of what can be told of a plan's limits and tables before any CAD is seen."""
    for index, line in enumerate(plan.characteristics):
        fault = _fault_of(line, plan) if isinstance(line, Length | Angle) else None
        if fault is not None:
            yield ("characteristics", index), f"{line.id}: {fault}"
    if plan.temperature is not None and plan.temperature.material is not None:
        try:
            expansion_of(plan.temperature.material)
        except PlanInvalid as error:
            yield ("temperature", "material"), f"{error.message.partition(': ')[2]} {error.advice}"


def _fault_of(line: Length | Angle, plan: Plan) -> str | None:
    if isinstance(line, Angle):
        general = line.general or plan.general_tolerance
        is_limited = line.lower_degrees is not None or line.upper_degrees is not None
        return None if is_limited or (general or "").startswith("ISO 2768") else NO_LIMITS
    if isinstance(line, SectionOffset) and line.most is not None:
        return None
    fit = line.fit if isinstance(line, Size | Position) else None
    if fit is not None:
        try:
            fit_deviations_mm(fit, 10.0)
        except PlanInvalid as error:
            return f"{error.message} {error.advice}"
        return None
    if isinstance(line, Position) or line.lower_deviation is not None or line.upper_deviation is not None:
        return None
    return None if line.general or plan.general_tolerance else NO_LIMITS


def _length(line: Length, nominal_mm: float, plan: Plan) -> ResolvedLimits:
    own = None if isinstance(line, Position) else line.nominal
    base_mm = nominal_mm if own is None else own
    fit = line.fit if isinstance(line, Size | Position) else None
    if fit is not None:
        lower_mm, upper_mm = fit_deviations_mm(fit, base_mm)
        return ResolvedLimits(base_mm + lower_mm, base_mm + upper_mm, f"ISO 286 {fit}")
    lower, upper = line.lower_deviation, line.upper_deviation
    if lower is not None or upper is not None:
        low = None if lower is None else base_mm + lower
        return ResolvedLimits(low, None if upper is None else base_mm + upper, DEVIATIONS)
    general, source = (None, "") if isinstance(line, Position) else _general(line.general, plan)
    if general is None:
        raise _without_limits()
    half_mm, caution = general_half_mm(general, abs(base_mm))
    return ResolvedLimits(base_mm - half_mm, base_mm + half_mm, source, caution)


def _general(own: str | None, plan: Plan) -> tuple[str | None, str]:
    return own or plan.general_tolerance, own or f"general tolerance {plan.general_tolerance}"


def _angle(line: Angle, nominal_degrees: float, plan: Plan, shorter_side_mm: float | None) -> ResolvedLimits:
    if line.lower_degrees is not None or line.upper_degrees is not None:
        return ResolvedLimits(line.lower_degrees, line.upper_degrees, "limits in the plan")
    general, source = _general(line.general, plan)
    if general is None or not general.startswith("ISO 2768-"):
        raise _without_limits()
    if shorter_side_mm is None:
        raise PlanInvalid(
            "the length of the angle's shorter side, which ISO 2768-1 goes by, is not known.",
            advice="Give lower_degrees and upper_degrees.",
        )
    half = iso_2768.angle_degrees(general[-1], shorter_side_mm)
    return ResolvedLimits(nominal_degrees - half, nominal_degrees + half, f"{source}, side {shorter_side_mm:.3g} mm")


def _wall(line: WallThickness, wall_mm: float) -> ResolvedLimits:
    if line.grade is None:
        return ResolvedLimits(line.least, None, "least wall in the plan")
    half_mm = iso_8062.wall_band_mm(line.grade, wall_mm) / 2
    source = f"ISO 8062-3 DCTG {line.grade + 1}, a wall being one grade coarser than DCTG {line.grade}"
    return ResolvedLimits(wall_mm - half_mm, wall_mm + half_mm, source, iso_8062.INDICATED_ONLY)


def _allowance(line: MachiningAllowance, largest_dimension_mm: float) -> ResolvedLimits:
    if line.grade is None:
        return ResolvedLimits(line.required, line.most, "allowance in the plan")
    least_mm = iso_8062.machining_allowance_mm(line.grade, largest_dimension_mm)
    caution = "RMAG grades A to D are stated from memory." if line.grade in iso_8062.MEMORY_GRADES else None
    source = f"ISO 8062-3 RMAG {line.grade}, largest dimension {largest_dimension_mm:.4g} mm"
    return ResolvedLimits(least_mm, line.most, source, caution)


def _without_limits() -> PlanInvalid:
    return PlanInvalid(f"{NO_LIMITS}.", advice="Give it limits, or the plan a general_tolerance.")

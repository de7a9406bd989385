"""``firstpour plan check``: whether a plan reads, and whether the CAD has what it names."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shared.plan import Plan
from shared.plan_reading import fault_in, parse_plan, plan_fault
from shared.units import LengthUnit
from worker.command import talking
from worker.command.asking import plan_bytes
from worker.command.columns import columns
from worker.exit_codes import ExitCode
from worker.job_records import BodyFile, InputFile

if TYPE_CHECKING:
    from worker.command.plan_places import Checked, Resolved

DEGREES, PERCENT = ("angle",), ("shrink",)
DIGITS = {LengthUnit.MILLIMETRE: 4, LengthUnit.INCH: 5}  # decimals shown: 0.1 um, 0.00001 in
HEADINGS = ("line", "kind", "of", "nominal", "least", "most", "limits from")


def check_here(path: Path, nominal: InputFile | None, cores: tuple[BodyFile, ...], *, as_json: bool) -> ExitCode:
    """Check the text, and with a nominal also the names; faults raise PlanInvalid."""
    text = plan_bytes(path)
    plan = parse_plan(text, path.name)
    if nominal is None:
        _say_text_only(plan, path.name, as_json=as_json)
        return ExitCode.CONFORMS
    checked = _looked_up(plan, nominal, cores)
    if checked.faults:
        raise plan_fault(path.name, [fault_in(text, where, what) for where, what in checked.faults])
    if as_json:
        talking.say_json(
            {"plan": path.name, "unit": plan.unit.value, "lines": [_record(r, plan) for r in checked.lines]}
        )
    else:
        _say_table(plan, path.name, checked)
    return ExitCode.CONFORMS


def _looked_up(plan: Plan, nominal: InputFile, cores: tuple[BodyFile, ...]) -> Checked:
    from worker.command.nominal import look_at, read_cores  # noqa: PLC0415 - a plan's text needs no geometry
    from worker.command.plan_places import check_places  # noqa: PLC0415

    return check_places(plan, look_at(nominal), read_cores(cores))


def _say_text_only(plan: Plan, name: str, *, as_json: bool) -> None:
    if as_json:
        talking.say_json({"plan": name, "unit": plan.unit.value, "lines": [line.id for line in plan.characteristics]})
        return
    talking.say(f"{name} reads well: {_counted(plan)}.")
    talking.note("Give --nominal as well to check that the CAD has what it names.")


def _counted(plan: Plan) -> str:
    parts = (
        (len(plan.characteristics), "characteristic"),
        (len(plan.regions), "region"),
        (len(plan.datums), "datum"),
        (len(plan.frames), "frame"),
    )
    return ", ".join(f"{count} {word}{'' if count == 1 else 's'}" for count, word in parts)


def _say_table(plan: Plan, name: str, checked: Checked) -> None:
    talking.say(f"{name}: {_counted(plan)}; the CAD has all that it names.  Lengths in {plan.unit.value}.")
    if checked.lines:
        talking.say(columns(HEADINGS, [_row(line, plan.unit) for line in checked.lines]))
    cautions = dict.fromkeys(line.stated.caution for line in checked.lines if line.stated.caution)
    for caution in cautions:
        talking.say(f"Caution: {caution}")


def _row(line: Resolved, unit: LengthUnit) -> Sequence[str]:
    stated = line.stated
    return (
        line.id,
        line.kind.replace("_", " "),
        ", ".join(line.places) or "all",
        _figure(stated.nominal, line.kind, unit),
        _figure(stated.limits.lower, line.kind, unit),
        _figure(stated.limits.upper, line.kind, unit),
        _source(line),
    )


def _source(line: Resolved) -> str:
    if line.stated.limits.lower is None and line.stated.limits.upper is None:
        return "the wall at its worst place"
    return line.stated.source or "the plan"


def _figure(value: float | None, kind: str, unit: LengthUnit) -> str:
    if value is None:
        return "-"
    if kind in DEGREES or kind in PERCENT:
        return f"{value:.4g}{' deg' if kind in DEGREES else ' %'}"
    text = f"{value / unit.mm:.{DIGITS.get(unit, 6)}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _record(line: Resolved, plan: Plan) -> dict[str, Any]:
    """Figures in the plan's unit, degrees or percent."""
    factor = 1.0 if line.kind in (*DEGREES, *PERCENT) else plan.unit.mm
    limits = line.stated.limits

    def scaled(value: float | None) -> float | None:
        return None if value is None else value / factor

    return {
        "id": line.id,
        "kind": line.kind,
        "of": list(line.places),
        "nominal": scaled(line.stated.nominal),
        "lower": scaled(limits.lower),
        "upper": scaled(limits.upper),
        "source": _source(line),
        "caution": line.stated.caution,
    }

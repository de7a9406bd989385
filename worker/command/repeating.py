"""``firstpour repeat``: what several inspections of one piece show, and the block a plan can take from it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shared.errors import FileRejected, RequestInvalid
from shared.repeatability import Calibrated, Repeatability, Substitutions, repeatability, substitution
from shared.units import LengthUnit
from worker.command import talking
from worker.command.columns import columns
from worker.exit_codes import ExitCode
from worker.job_records import REPORT_JSON

REPORT_LIMIT_BYTES = 256 << 20  # a report of a large inspection is a few MB


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class CalibratedLine(_Strict):
    """One calibrated value, in the file's unit, or percent or degrees; uncertainty at k = 2.

    workpiece_u, bias_u: standard uncertainties u_w and u_b of ISO 15530-3
    """

    id: str
    value: float
    expanded_uncertainty: Annotated[float, Field(ge=0)]
    workpiece_u: Annotated[float, Field(ge=0)] = 0.0
    bias_u: Annotated[float, Field(ge=0)] | None = None


class CalibratedFile(_Strict):
    """Calibrated values of a piece; cycles: how often it was set up anew among the scans."""

    unit: Literal[LengthUnit.MILLIMETRE, LengthUnit.INCH]
    cycles: Annotated[int, Field(ge=1)] | None = None
    calibrated: Annotated[tuple[CalibratedLine, ...], Field(min_length=1)]


def repeat_here(reports: Sequence[Path], *, calibrated: Path | None, out: Path | None, as_json: bool) -> ExitCode:
    """Say the table, and write the substitution block where there are calibrated values."""
    if out is not None and calibrated is None:
        raise RequestInvalid("--out writes the substitution block.", advice="Give --calibrated too, or leave it out.")
    found = repeatability({str(path): _report(path) for path in _distinct(reports)})
    known = None if calibrated is None else _calibrated(calibrated)
    corrected = None if known is None else substitution(found, _in_report_units(known, found), cycle_count=known.cycles)
    unit = LengthUnit.MILLIMETRE if known is None else known.unit
    if as_json:
        shown = None if corrected is None else corrected.model_dump(mode="json")
        talking.say_json({"repeatability": found.model_dump(mode="json"), "substitution": shown})
    else:
        _say(found, unit)
    if corrected is not None:
        _give_block(corrected, unit, len(found.reports), out, as_json=as_json)
    return ExitCode.CONFORMS


def _distinct(reports: Sequence[Path]) -> list[Path]:
    doubled = sorted({str(path) for path in reports if list(reports).count(path) > 1})
    if doubled:
        raise RequestInvalid(f"Given twice: {', '.join(doubled)}.", advice="Give each report once.")
    return list(reports)


def _report(path: Path) -> dict[str, Any]:
    """The document in a report's folder, or the file itself."""
    file = path / REPORT_JSON if path.is_dir() else path
    text = _read(file)
    try:
        document = json.loads(text)
    except ValueError as error:
        raise _no_report(file) from error
    if not isinstance(document, dict):
        raise _no_report(file)
    return document


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > REPORT_LIMIT_BYTES:
            raise _no_report(path)
        return path.read_bytes()
    except OSError as error:
        raise FileRejected(
            f"{path} cannot be read: {error.strerror}.", file=path.name, advice="Check the path."
        ) from error


def _no_report(path: Path) -> FileRejected:
    return FileRejected(
        f"{path} is not a report of an inspection.", file=path.name, advice="Give the report.json that inspect wrote."
    )


def _calibrated(path: Path) -> CalibratedFile:
    try:
        return CalibratedFile.model_validate(yaml.safe_load(_read(path)))
    except yaml.YAMLError as error:
        fault = "it is not YAML or JSON that can be read"
        raise _faulty(path, fault) from error
    except ValidationError as error:
        faults = (f"{'.'.join(map(str, one['loc'])) or 'the file'}: {one['msg']}" for one in error.errors())
        raise _faulty(path, "; ".join(faults)) from error


def _faulty(path: Path, fault: str) -> FileRejected:
    return FileRejected(
        f"The calibrated values in {path} cannot be used: {fault}.",
        file=path.name,
        advice="Write unit: mm, cycles: 10, and calibrated: a list of id, value and expanded_uncertainty.",
    )


def _in_report_units(known: CalibratedFile, found: Repeatability) -> list[Calibrated]:
    """Lengths in millimetres, as reports have them; percents and degrees as they are."""
    units = {line.id: line.unit for line in found.lines}
    return [_scaled(line, known.unit.mm if units.get(line.id) == "mm" else 1.0) for line in known.calibrated]


def _scaled(line: CalibratedLine, factor: float) -> Calibrated:
    return Calibrated(
        id=line.id,
        value=factor * line.value,
        expanded_uncertainty=factor * line.expanded_uncertainty,
        workpiece_u=factor * line.workpiece_u,
        bias_u=None if line.bias_u is None else factor * line.bias_u,
    )


def _say(found: Repeatability, unit: LengthUnit) -> None:
    talking.say(f"Repeatability over {len(found.reports)} reports; U is of one measurement, about 95 %.")
    headings = ("line", "unit", "n", "mean", "std dev", "range", "dof", "k", "U repeat", "U stated")
    rows = []
    for line in found.lines:
        factor, word = (unit.mm, unit.value) if line.unit == "mm" else (1.0, line.unit)
        lengths = [line.mean, line.standard_deviation, line.range]
        stated = [line.U, line.largest_stated_U]
        figures = ["-" if value is None else f"{value / factor:.5f}" for value in (*lengths, *stated)]
        k = "-" if line.k is None else f"{line.k:.2f}"
        rows.append((line.id, word, str(line.n), *figures[:3], str(line.dof), k, *figures[3:]))
    talking.say(columns(headings, rows))
    for line in found.lines:
        for name, reason in line.missing.items():
            talking.say(f"{line.id} is not measured in {name}: {reason}")
    for text in found.notes:
        talking.say(text)


def block_text(found: Substitutions, unit: LengthUnit, report_count: int) -> str:
    """The ``substitution:`` block of a plan in that unit, with what it rests on."""
    lines = [
        f"# ISO 15530-3, from {report_count} inspections of a calibrated piece.",
        f"# Lengths in {unit.value}: the plan's unit must be the same.",
        *(f"# Condition not met: {text}" for text in found.unmet),
        "substitution:",
    ]
    for line in found.lines:
        factor = unit.mm if line.unit == "mm" else 1.0
        parts = ", ".join(f"{name} {getattr(line, name) / factor:.3g}" for name in ("u_cal", "u_p", "u_b", "u_w"))
        statement = json.dumps(f"{line.n} measurements of a calibrated piece: {parts}, k = 2")
        lines.append(
            f"  - {{id: {line.id}, bias: {line.bias / factor:.6f}, "
            f"expanded_uncertainty: {line.U / factor:.6f}, statement: {statement}}}"
        )
    return "\n".join(lines) + "\n"


def _give_block(found: Substitutions, unit: LengthUnit, report_count: int, out: Path | None, *, as_json: bool) -> None:
    text = block_text(found, unit, report_count)
    for fault in found.unmet:
        talking.note(f"Condition of ISO 15530-3 not met: {fault}.")
    if out is None and not as_json:
        talking.say(f"\n{text}".rstrip("\n"))
    elif out is not None:
        try:
            out.write_text(text, encoding="utf-8")
        except OSError as error:
            raise RequestInvalid(
                f"The block cannot be written to {out}: {error.strerror}.", advice="Choose another place with --out."
            ) from error
        talking.note(f"The substitution block is in {out}; put it into the plan.")

"""How well several inspections of one piece agree, and what a calibrated piece shows of the bias (ISO 15530-3).

Values are those of the reports: millimetres, percent or degrees.  Where a plan already subtracted a
bias, it is added again first, so that this speaks of what the scanner delivered.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from shared.errors import FileRejected, RequestInvalid
from shared.report import Report
from shared.student import coverage_factor

K = 2.0  # coverage factor of the substitution method
LEAST_MEASUREMENTS, LEAST_CYCLES = 20, 10  # ISO 15530-3:2011, from memory


class _Part(BaseModel):
    """What is needed of a report; whatever else it holds may change."""

    model_config = ConfigDict(extra="ignore", frozen=True)


class _File(_Part):
    name: str
    role: str
    sha256: str


class _Provenance(_Part):
    firstpour_version: str
    files: tuple[_File, ...]
    plan_sha256: str | None


class _Line(_Part):
    id: str
    kind: str
    title: str
    unit: str
    measured: float | None
    U: float | None
    reason: str | None = None
    details: dict[str, Any] = {}

    @property
    def raw(self) -> float | None:
        """As measured, before any bias was subtracted."""
        bias = self.details.get("bias_removed", 0.0)
        return None if self.measured is None else self.measured + (bias if isinstance(bias, int | float) else 0.0)


class _Document(_Part):
    provenance: _Provenance
    characteristics: tuple[_Line, ...]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Repeated(_Record):
    """One characteristic over several reports; None where too few measured it.

    n: reports that measured it;  U: expanded uncertainty of one measurement by repeatability alone, about 95 %,
    Student's factor k for ``dof``;  largest_stated_U: the largest U among the reports
    missing: report and reason, for those that did not measure it
    """

    id: str
    title: str
    unit: str
    n: int
    mean: float | None
    standard_deviation: float | None
    range: float | None
    dof: int
    k: float | None
    U: float | None
    largest_stated_U: float | None
    missing: dict[str, str]


class Repeatability(_Record):
    """What several reports of one piece, one nominal and one plan show."""

    reports: tuple[str, ...]
    lines: tuple[Repeated, ...]
    notes: tuple[str, ...]


class Calibrated(_Record):
    """A calibrated value, in the unit of the report, with its expanded uncertainty (k = 2).

    workpiece_u: standard uncertainty u_w by what differs from piece to piece: form, roughness, expansion
    bias_u: standard uncertainty u_b of the bias; by default that of the mean, s / sqrt(n)
    """

    id: str
    value: float
    expanded_uncertainty: float
    workpiece_u: float = 0.0
    bias_u: float | None = None


class Substituted(_Record):
    """Bias and uncertainty of one characteristic by substitution, in the unit of the report.

    U = 2 sqrt(u_cal^2 + u_p^2 + u_b^2 + u_w^2)
    """

    id: str
    unit: str
    n: int
    bias: float
    u_cal: float
    u_p: float
    u_b: float
    u_w: float
    U: float


class Substitutions(_Record):
    """Bias and uncertainty per characteristic; ``unmet`` says which conditions of the method are not met."""

    lines: tuple[Substituted, ...]
    unmet: tuple[str, ...]


def repeatability(reports: Mapping[str, Report | Mapping[str, Any]]) -> Repeatability:
    """Mean, spread and uncertainty by repeatability of each characteristic.

    reports : by the name that messages call them; report documents or their JSON

    Raises
    ------
    RequestInvalid
        For fewer than two reports, for reports of different nominals, cores or plans, or of one scan.
    FileRejected
        For what is no report.

    """
    documents = {name: _document(name, report) for name, report in reports.items()}
    if len(documents) < 2:
        raise RequestInvalid("One report shows no repeatability.", advice="Give two reports or more, of one piece.")
    _check_same(documents)
    first = next(iter(documents.values()))
    return Repeatability(
        reports=tuple(documents),
        lines=tuple(_repeated(line, documents) for line in first.characteristics),
        notes=tuple(_notes(documents)),
    )


def substitution(
    found: Repeatability, calibrated: Sequence[Calibrated], *, cycle_count: int | None = None
) -> Substitutions:
    """Bias and uncertainty by measuring a calibrated piece again and again (ISO 15530-3:2011).

    cycle_count : how often the piece was taken off and set up anew among the measurements; None if unknown

    Raises
    ------
    RequestInvalid
        For a calibrated value of a characteristic that the reports do not have or measured less than twice.

    """
    known = {line.id: line for line in found.lines}
    lines = []
    for value in calibrated:
        line = known.get(value.id)
        if line is None:
            raise RequestInvalid(
                f"The reports have no characteristic {value.id}.",
                advice=f"Give calibrated values for: {', '.join(known) or 'none is there'}.",
            )
        lines.append(_substituted(line, value))
    return Substitutions(lines=tuple(lines), unmet=tuple(_unmet(lines, cycle_count)))


def _substituted(line: Repeated, value: Calibrated) -> Substituted:
    if line.mean is None or line.standard_deviation is None:
        raise RequestInvalid(
            f"Characteristic {line.id} was measured in {line.n} of the reports.",
            advice=f"Substitution needs a spread: {LEAST_MEASUREMENTS} measurements by the standard, two at the least.",
        )
    u_p = line.standard_deviation
    u_b = u_p / math.sqrt(line.n) if value.bias_u is None else value.bias_u
    u_cal = value.expanded_uncertainty / K
    return Substituted(
        id=line.id,
        unit=line.unit,
        n=line.n,
        bias=line.mean - value.value,
        u_cal=u_cal,
        u_p=u_p,
        u_b=u_b,
        u_w=value.workpiece_u,
        U=K * math.sqrt(u_cal**2 + u_p**2 + u_b**2 + value.workpiece_u**2),
    )


def _unmet(lines: Iterable[Substituted], cycle_count: int | None) -> Iterable[str]:
    few = [f"{line.id} ({line.n})" for line in lines if line.n < LEAST_MEASUREMENTS]
    if few:
        yield f"fewer than {LEAST_MEASUREMENTS} measurements: {', '.join(few)}"
    if cycle_count is None:
        yield f"how often the piece was set up anew is not stated; {LEAST_CYCLES} times are asked for"
    elif cycle_count < LEAST_CYCLES:
        yield f"the piece was set up anew {cycle_count} times; {LEAST_CYCLES} are asked for"


def _document(name: str, report: Report | Mapping[str, Any]) -> _Document:
    given = report.model_dump(mode="json") if isinstance(report, Report) else report
    try:
        return _Document.model_validate(given)
    except ValidationError as error:
        raise FileRejected(
            f"{name} is not a report of an inspection.", file=name, advice="Give the report.json that inspect wrote."
        ) from error


def _check_same(documents: Mapping[str, _Document]) -> None:
    first_name, first = next(iter(documents.items()))
    if first.provenance.plan_sha256 is None:
        raise RequestInvalid(
            f"{first_name} was made without a plan, so it has no characteristics to compare.",
            advice="Inspect all scans with the same plan.",
        )
    for what, of in (("nominal or cores", _geometry), ("plan", _plan)):
        others = [name for name, document in documents.items() if of(document) != of(first)]
        if others:
            raise RequestInvalid(
                f"These reports have another {what} than {first_name}: {', '.join(others)}.",
                advice="Compare only inspections of one piece against the same files with the same plan.",
                reports=others,
            )
    _check_scans(documents)


def _check_scans(documents: Mapping[str, _Document]) -> None:
    seen: dict[str, str] = {}
    for name, document in documents.items():
        for file in document.provenance.files:
            if file.role == "scan" and seen.setdefault(file.sha256, name) != name:
                raise RequestInvalid(
                    f"{name} and {seen[file.sha256]} are of the same scan ({file.name}).",
                    advice="Scan the piece again: one scan twice says nothing about repeatability.",
                    reports=[seen[file.sha256], name],
                )


def _geometry(document: _Document) -> tuple[tuple[str, str], ...]:
    return tuple(sorted((file.role, file.sha256) for file in document.provenance.files if file.role != "scan"))


def _plan(document: _Document) -> str | None:
    return document.provenance.plan_sha256


def _notes(documents: Mapping[str, _Document]) -> Iterable[str]:
    versions = sorted({document.provenance.firstpour_version for document in documents.values()})
    if len(versions) > 1:
        yield f"The reports were made by different versions: {', '.join(versions)}."


def _repeated(line: _Line, documents: Mapping[str, _Document]) -> Repeated:
    own = {name: _line_of(document, line.id) for name, document in documents.items()}
    values = [found.raw for found in own.values() if found is not None and found.raw is not None]
    stated = [found.U for found in own.values() if found is not None and found.raw is not None and found.U is not None]
    spread = statistics.stdev(values) if len(values) > 1 else None
    k = coverage_factor(len(values) - 1) if len(values) > 1 else None
    return Repeated(
        id=line.id,
        title=line.title,
        unit=line.unit,
        n=len(values),
        mean=statistics.fmean(values) if values else None,
        standard_deviation=spread,
        range=max(values) - min(values) if values else None,
        dof=max(len(values) - 1, 0),
        k=k,
        U=None if spread is None or k is None else k * spread,
        largest_stated_U=max(stated, default=None),
        missing={
            name: (found.reason or "not measured") if found is not None else "not in the report"
            for name, found in own.items()
            if found is None or found.raw is None
        },
    )


def _line_of(document: _Document, line_id: str) -> _Line | None:
    return next((line for line in document.characteristics if line.id == line_id), None)

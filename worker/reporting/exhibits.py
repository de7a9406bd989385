"""Tables, curves, places and files of a characteristic: their records, their words and pictures, their files."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from shared.report import (
    ATTACHMENT_FOLDER,
    Attachment,
    Curve,
    Exhibits,
    Mark,
    Plot,
    Report,
    Section,
    Table,
    TableColumn,
)
from worker.exhibits import NOTHING
from worker.exhibits import Attachment as MadeFile
from worker.exhibits import Exhibits as Made
from worker.exhibits import Plot as MadePlot
from worker.exhibits import Section as MadeSection
from worker.exhibits import Table as MadeTable
from worker.records import Floats
from worker.reporting import wording
from worker.reporting.metrology import vector_of
from worker.reporting.plots import curve_plot, image_address
from worker.reporting.wording import Pair

UNFIT = re.compile(r"[^A-Za-z0-9._-]+")
SHORT_ROWS = 12  # a longer table is folded
Text = str | Pair


@dataclass(frozen=True)
class TableRows:
    """A table in words.  is_figure : of each column, whether it holds figures."""

    title: str
    names: list[str]
    is_figure: list[bool]
    rows: list[list[Text]]
    is_long: bool


@dataclass(frozen=True)
class Picture:
    """A plot as an image."""

    title: str
    data_uri: str


@dataclass(frozen=True)
class Shown:
    """Everything of one owner, ready for the page."""

    id: str
    title: str
    tables: list[TableRows]
    plots: list[Picture]
    attachments: list[Attachment]


def exhibits_record(owner: str, made: Made) -> Exhibits | None:
    """The record of what an owner (a characteristic, a scenario) shows; None where it shows nothing."""
    if made == NOTHING or not (made.tables or made.plots or made.marks or made.attachments):
        return None
    return Exhibits(
        tables=[_table(table) for table in made.tables],
        plots=[_plot(plot) for plot in made.plots],
        marks=[Mark(label=mark.label, points_mm=[vector_of(point) for point in mark.points_mm]) for mark in made.marks],
        attachments=[_attachment(owner, file) for file in made.attachments],
    )


def section_records(sections: Sequence[MadeSection]) -> list[Section]:
    """Records of what is shown beside the characteristics."""
    found = [(section_id(number), made) for number, made in enumerate(sections, start=1)]
    records = [(identity, made.title, exhibits_record(identity, made.exhibits)) for identity, made in found]
    return [Section(id=i, title=title, exhibits=exhibits) for i, title, exhibits in records if exhibits is not None]


def section_id(number: int) -> str:
    """What a section's files are named by; numbers from 1."""
    return f"section-{number}"


def attachment_path(owner: str, file: MadeFile) -> str:
    """Where a file lies, relative to the report."""
    return f"{ATTACHMENT_FOLDER}/{UNFIT.sub('-', owner)}-{UNFIT.sub('-', file.name)}"


def attachment_files(owners: Mapping[str, Made]) -> Iterator[tuple[str, bytes]]:
    """Path and content of every file, by its owner."""
    for owner, made in owners.items():
        for file in made.attachments:
            yield attachment_path(owner, file), file.content


def shown_sections(report: Report) -> list[Shown]:
    """What was tried and solved, the list of moves first: it is what people are asked to do."""
    found = [shown(section.id, section.title, section.exhibits) for section in report.sections]
    return sorted(found, key=lambda entry: not entry.attachments)


def shown_exhibits(report: Report) -> list[Shown]:
    """Of every characteristic that shows something, in the order of the plan."""
    return [shown(line.id, line.title, line.exhibits) for line in report.characteristics if line.exhibits is not None]


def shown(identity: str, title: str, exhibits: Exhibits) -> Shown:
    """One owner's exhibits in words and pictures."""
    return Shown(
        id=identity,
        title=title,
        tables=[_rows(table) for table in exhibits.tables],
        plots=[Picture(plot.title, image_address(curve_plot(plot))) for plot in exhibits.plots],
        attachments=exhibits.attachments,
    )


def _table(table: MadeTable) -> Table:
    return Table(
        title=table.title,
        columns=[TableColumn(name=c.name, unit=c.unit, is_departure=c.is_departure) for c in table.columns],
        rows=[[_finite(cell) for cell in row] for row in table.rows],
    )


def _finite(cell: float | str | None) -> float | str | None:
    if cell is None or isinstance(cell, str):
        return cell
    return float(cell) if math.isfinite(cell) else None


def _plot(plot: MadePlot) -> Plot:
    return Plot(
        title=plot.title,
        x_label=plot.x_label,
        x_unit=plot.x_unit,
        y_label=plot.y_label,
        y_unit=plot.y_unit,
        curves=[_curve(curve.name, (curve.x, curve.y), curve.U) for curve in plot.curves],
        limits=[float(level) for level in plot.limits],
    )


def _curve(name: str, line: tuple[Floats, Floats], U: Floats | None) -> Curve:
    """Points that are not numbers are gaps and are left out."""
    x, y = line
    kept = [i for i in range(len(x)) if math.isfinite(x[i]) and math.isfinite(y[i])]
    band = None if U is None else [float(U[i]) if math.isfinite(U[i]) else 0.0 for i in kept]
    return Curve(name=name, x=[float(x[i]) for i in kept], y=[float(y[i]) for i in kept], U=band)


def _attachment(owner: str, file: MadeFile) -> Attachment:
    return Attachment(
        title=file.title,
        path=attachment_path(owner, file),
        media_type=file.media_type,
        size_bytes=len(file.content),
        sha256=hashlib.sha256(file.content).hexdigest(),
    )


def _rows(table: Table) -> TableRows:
    return TableRows(
        title=table.title,
        names=[column.name for column in table.columns],
        is_figure=[column.unit != "" for column in table.columns],
        rows=[[_cell(cell, column) for cell, column in zip(row, table.columns, strict=True)] for row in table.rows],
        is_long=len(table.rows) > SHORT_ROWS,
    )


def _cell(cell: float | str | None, column: TableColumn) -> Text:
    if cell is None:
        return "—"
    if isinstance(cell, str):
        return cell
    if column.unit == "mm":
        return wording.departure(cell) if column.is_departure else wording.size(cell)
    return wording.figure(cell, column.unit)

"""The files of a report, each written aside and renamed when whole."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from shared.report import Report
from shared.units import LengthUnit
from worker.job_records import REPORT_HTML, REPORT_JSON
from worker.reporting.document import build_report, report_text
from worker.reporting.exhibits import attachment_files, section_id
from worker.reporting.inspected import Inspected
from worker.reporting.page import Unit, render_page
from worker.reporting.scene import Drawn, Pickable, Scene, build_scene
from worker.reporting.summaries import Summaries


def report_scene(inspected: Inspected, summaries: Summaries | None = None) -> Scene:
    """What the page draws: the maps, and every region and characteristic that can be picked out."""
    summed, measured = summaries or Summaries(inspected), inspected.measured
    drawn = Drawn(
        samples=measured.samples,
        faces=measured.nominal.faces,
        is_closed=measured.nominal.is_watertight,
        deviation=measured.deviation,
        thickness=measured.thickness,
        tolerance_mm=summed.tolerance.mm,
        U_mm=summed.U_mm,
    )
    regions = [Pickable(region.name, f"region {region.name}", region.is_member) for region in measured.regions]
    nothing = np.zeros(len(measured.samples.face), dtype=bool)
    lines = [
        Pickable(
            line.id,
            f"{line.id}: {line.title}",
            nothing if line.sample_mask is None else line.sample_mask,
            line.exhibits.marks,
        )
        for line in inspected.characteristics
    ]
    sections = [
        Pickable(
            section_id(number),
            made.title,
            nothing if made.sample_mask is None else made.sample_mask,
            made.exhibits.marks,
        )
        for number, made in enumerate(inspected.sections, start=1)
        if made.exhibits.marks
    ]
    return build_scene(drawn, [*regions, *lines, *sections])


def write_inspection(inspected: Inspected, folder: Path) -> Report:
    """All files of an inspection, in the plan's own unit first; returns the document."""
    summaries = Summaries(inspected)
    report = build_report(inspected, summaries)
    owners = {line.id: line.exhibits for line in inspected.characteristics}
    owners |= {section_id(number): made.exhibits for number, made in enumerate(inspected.sections, start=1)}
    for path, content in attachment_files(owners):
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        _replaced(target, content)
    is_inch = inspected.shown_unit in {LengthUnit.INCH, LengthUnit.FOOT}
    write_report(report, report_scene(inspected, summaries), folder, "in" if is_inch else "mm")
    return report


def write_report(report: Report, scene: Scene, folder: Path, unit: Unit = "mm") -> tuple[Path, Path]:
    """Write ``report.json`` and ``report.html`` into ``folder``; return both paths.

    unit : what the page shows first; the reader can switch
    """
    folder.mkdir(parents=True, exist_ok=True)
    page = render_page(report, scene, unit)
    return _written(folder / REPORT_JSON, report_text(report)), _written(folder / REPORT_HTML, page)


def _written(path: Path, text: str) -> Path:
    """Write aside, then rename: a reader sees the old file or the new one, never half of one."""
    return _replaced(path, text.encode("utf-8"))


def _replaced(path: Path, content: bytes) -> Path:
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    aside.write_bytes(content)
    aside.replace(path)
    return path

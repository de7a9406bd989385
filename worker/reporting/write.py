"""The two files of a report, each written aside and renamed when whole."""

from __future__ import annotations

import os
from pathlib import Path

from shared.report import Report
from shared.units import LengthUnit
from worker.job_records import REPORT_HTML, REPORT_JSON
from worker.reporting.document import build_report, report_text
from worker.reporting.inspected import Inspected
from worker.reporting.page import Unit, render_page
from worker.reporting.scene import Drawn, Scene, build_scene
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
    masks = [(region.name, f"region {region.name}", region.is_member) for region in measured.regions]
    lines = ((line.id, line.title, line.sample_mask) for line in inspected.characteristics)
    masks += [(name, f"{name}: {title}", mask) for name, title, mask in lines if mask is not None]
    return build_scene(drawn, masks)


def write_inspection(inspected: Inspected, folder: Path) -> Report:
    """Both files of an inspection, in the plan's own unit first; returns the document."""
    summaries = Summaries(inspected)
    report = build_report(inspected, summaries)
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
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    aside.write_text(text, encoding="utf-8", newline="\n")
    aside.replace(path)
    return path

"""The two files of a report, each written aside and renamed when whole."""

from __future__ import annotations

import os
from pathlib import Path

from shared.report import Report
from worker.job_records import REPORT_HTML, REPORT_JSON
from worker.reporting.document import report_text
from worker.reporting.inspected import Inspected
from worker.reporting.page import Unit, render_page
from worker.reporting.scene import Drawn, Scene, build_scene


def report_scene(inspected: Inspected) -> Scene:
    """What the page draws: the maps, and every region and characteristic that can be picked out."""
    drawn = Drawn(
        samples=inspected.samples,
        faces=inspected.nominal.faces,
        is_closed=inspected.nominal.is_watertight,
        deviation=inspected.deviation,
        thickness=inspected.thickness,
        tolerance_mm=inspected.tolerance_mm,
        U_mm=inspected.deviation_U_mm,
    )
    masks = [(region.name, f"region {region.name}", region.is_member) for region in inspected.regions]
    lines = ((line.id, line.title, line.sample_mask) for line in inspected.characteristics)
    masks += [(name, f"{name}: {title}", mask) for name, title, mask in lines if mask is not None]
    return build_scene(drawn, masks)


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

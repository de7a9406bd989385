"""The HTML page: one file that needs nothing else, made from the document and the scene."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from shared.csp import csp_for
from shared.report import Report
from shared.texts import shown
from worker.reporting import tables, wording
from worker.reporting.colors import NOT_MEASURED
from worker.reporting.exhibits import shown_exhibits, shown_sections
from worker.reporting.feature_rows import feature_rows, frame_rows
from worker.reporting.gallery import Numbered, gallery
from worker.reporting.mark_pictures import section_pictures
from worker.reporting.payload import json_for_script, view_payload
from worker.reporting.places import Place, Places
from worker.reporting.plots import coverage_plot, deviation_plot, image_address, wall_plot
from worker.reporting.scene import Scene

ASSETS = Path(__file__).resolve().parent / "assets"
VIEWER_PARTS = ("viewer_data.js", "viewer_scene.js", "viewer_orbit.js", "viewer.js")
OUTCOMES = {
    "conforms": "Conforms",
    "does_not_conform": "Does not conform",
    "not_proven": "Not proven",
    "not_aligned": "Not aligned",
    "not_judged": "Measured, not judged",
}
Unit = Literal["mm", "in"]


def render_page(report: Report, scene: Scene, unit: Unit = "mm") -> str:
    """The whole page; ``unit`` is what the reader sees first.

    Every text from the document is escaped; scripts and styles are named by hash in a policy
    that forbids everything else.
    """
    places = Places(report, scene)
    findings = places.findings()
    numbered = [
        Numbered(entry.number, entry.place.point, entry.place.map) for entry in findings if entry.number and entry.place
    ]
    html = (
        _environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            unit=unit,
            outcome_title=OUTCOMES[report.summary.outcome],
            counts=_counts(report),
            findings=findings,
            highlights=[entry.label for entry in scene.highlights],
            stills=gallery(scene, numbered, report.run.thread_count),
            plots=_plots(report, scene),
            legend=_legend(report, scene),
            gap_colors=[_hex(color) for color in NOT_MEASURED],
            characteristics=[
                {**vars(line), "place": places.of_characteristic(line.id)}
                for line in tables.characteristic_rows(report)
            ],
            exhibits=shown_exhibits(report),
            sections=shown_sections(report),
            mark_pictures=section_pictures(report, scene),
            features=feature_rows(report),
            frames=frame_rows(report),
            deviation_facts=tables.deviation_facts(report),
            shrink_rows=tables.shrink_rows(report),
            alignment_text=tables.alignment_text(report),
            alignment_facts=tables.alignment_facts(report),
            provenance_facts=tables.provenance_facts(report),
            view_data=Markup(json_for_script(view_payload(scene))),  # noqa: S704 escaped for script elements just there
            **_own_assets(),
        )
    )
    policy = f'<meta http-equiv="Content-Security-Policy" content="{csp_for(html)}">'
    return html.replace('<meta charset="utf-8">', f'<meta charset="utf-8">\n{policy}', 1)


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(ASSETS),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        finalize=shown,
        keep_trailing_newline=True,
    )
    environment.filters.update(
        {
            "dual": _or_empty(wording.dual),
            "departure": _or_dash(wording.departure),
            "signed": _or_dash(lambda value: wording.departure(value, is_signed=True)),
            "size": _or_dash(wording.size),
            "position": _or_dash(wording.position),
            "area": _or_dash(wording.area),
            "share": _or_dash(wording.share),
            "percent": _or_dash(wording.percent),
            "verdict_word": wording.verdict_word,
            "place": lambda point: Place(point, "deviation") if point else None,
            "wall_place": lambda point: Place(point, "wall") if point else None,
        }
    )
    return environment


def _or_dash(write: Callable[[Any], Any]) -> Callable[[Any], Any]:
    return lambda value: "—" if value is None else write(value)


def _or_empty(write: Callable[[Any], Any]) -> Callable[[Any], Any]:
    return lambda value: "" if value is None else write(value)


@lru_cache(maxsize=1)
def _own_assets() -> dict[str, Markup]:
    """Our own style and scripts, and three.js under its licence; nothing of the caller's is in them."""
    vendor = ASSETS / "vendor" / "three"
    licence = (vendor / "LICENSE").read_text(encoding="utf-8").strip()
    three = (vendor / "three.min.js").read_text(encoding="utf-8").strip()
    parts = "\n".join((ASSETS / name).read_text(encoding="utf-8") for name in VIEWER_PARTS)
    texts = {
        "style": (ASSETS / "report.css").read_text(encoding="utf-8"),
        "three": f"/*! three.js\n{licence}\n*/\n{three}",
        "viewer": f'(() => {{\n"use strict";\n{parts}\n}})();',
    }
    return {name: Markup(text) for name, text in texts.items()}  # noqa: S704 files of this package


def _counts(report: Report) -> list[tuple[str, int]]:
    found: Counter[str] = Counter(line.verdict for line in report.characteristics)
    order = ("does_not_conform", "not_proven", "not_measured", "conforms")
    return [(name, found[name]) for name in order if found[name]]


def _plots(report: Report, scene: Scene) -> dict[str, str | None]:
    deviation, wall, coverage = scene.deviation_histogram, scene.actual_wall_histogram, tables.coverage_bars(report)
    nominal = scene.nominal_wall_histogram
    return {
        "deviation": image_address(deviation_plot(deviation, scene.tolerance_mm)) if deviation else None,
        "wall": image_address(wall_plot(nominal, wall, scene.thin_mm)) if wall and nominal else None,
        "coverage": image_address(coverage_plot(coverage)) if coverage else None,
    }


def _legend(report: Report, scene: Scene) -> dict[str, Any]:
    return {
        "deviation": tables.deviation_legend(scene.steps_mm),
        "wall": tables.wall_legend(scene.wall_top_mm),
        "tolerance": scene.tolerance_mm,
        "tolerance_source": report.deviation.tolerance_source if report.deviation else "no deviation was measured",
        "thin": scene.thin_mm or None,
        "thin_source": report.thickness.spot_limit_source if report.thickness else "",
    }


def _hex(color: Sequence[int]) -> str:
    return tables.hex_color(color)

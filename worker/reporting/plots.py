"""The plots: area-weighted histograms and coverage, as SVG that is the same bytes for the same input.

Lengths run in millimetres below and in thousandths of an inch above, so one plot serves both.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import cycle
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font

from shared.report import Plot
from worker.records import Bools, Floats
from worker.reporting.colors import deviation_colors, wall_colors

INK, FAINT, LINE = "#20262c", "#5a636c", "#c9ccc9"
THOU_PER_MM = 1000 / 25.4
BIN_COUNT = 81  # odd, so that one bar straddles zero
HATCH = "#8b9299"
SOLID, DASHED, DOTTED = "solid", (0, (5, 2)), (0, (1.5, 1.5))
CURVES: tuple[tuple[str, Any], ...] = (
    ("#3d6b7d", SOLID),
    ("#b35806", DASHED),
    ("#542788", DOTTED),
    ("#20262c", SOLID),
    ("#8b9299", DASHED),
)  # told apart by dashes as well as by colour
UNIT_SIGNS = {"mm2": "mm²", "mm3": "mm³", "deg": "°", "percent": "%", "count": "", "ratio": ""}
STYLE: dict[Any, Any] = {
    "svg.hashsalt": "firstpour",  # ids in the file from this, not from chance
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",  # comes with matplotlib, so plots do not depend on the machine
    "font.size": 9,
    "text.color": INK,
    "axes.edgecolor": LINE,
    "axes.labelcolor": FAINT,
    "axes.spines.right": False,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "hatch.linewidth": 0.6,
}


@dataclass(frozen=True, eq=False)
class Histogram:
    """Area (mm2) per bin of a length (mm): edges (b + 1,), areas (b,); what lies beyond is in the end bins."""

    edges_mm: Floats
    area_mm2: Floats


@dataclass(frozen=True)
class CoverageBar:
    """One bar of the coverage plot."""

    name: str
    measured_share: float
    area_mm2: float


def histogram(value_mm: Floats, is_known: Bools, area_mm2: Floats, span_mm: tuple[float, float]) -> Histogram:
    """Area-weighted histogram of the known values; outliers are counted in the end bins."""
    edges = np.linspace(*span_mm, BIN_COUNT + 1)
    inside = np.clip(value_mm[is_known], edges[0], np.nextafter(edges[-1], -np.inf))
    counted = np.histogram(inside, bins=edges, weights=area_mm2[is_known])[0]
    return Histogram(edges, np.asarray(counted, dtype=np.float64))


def deviation_plot(data: Histogram, tolerance_mm: float) -> str:
    """SVG of the deviation histogram, bars in the colours of the map."""
    with mpl.rc_context(STYLE):
        figure, axes = _figure(3.1)
        middles = (data.edges_mm[1:] + data.edges_mm[:-1]) / 2
        colors = deviation_colors(middles, tolerance_mm) / 255
        colors[np.abs(middles) <= tolerance_mm] *= 0.82  # the map's light grey is too pale for thin bars
        _bars(axes, data, colors)
        for side in (-tolerance_mm, tolerance_mm):
            axes.axvline(side, color=INK, linewidth=0.8, linestyle=(0, (4, 3)))
        axes.set_xlim(data.edges_mm[0], data.edges_mm[-1])
        axes.set_xlabel("deviation, mm")
        for side, word in ((-1, "missing"), (1, "excess")):
            beyond = data.area_mm2[side * middles > tolerance_mm].sum() / max(float(data.area_mm2.sum()), 1e-12)
            place = "left" if side < 0 else "right"
            axes.text(
                0.01 if side < 0 else 0.99, 0.94, f"{100 * beyond:.1f} % {word}", ha=place, transform=axes.transAxes
            )
        _thou_axis(axes)
        return _svg(figure)


def wall_plot(nominal: Histogram, actual: Histogram, limit_mm: float) -> str:
    """SVG of the walls: nominal as an outline, the piece as bars."""
    with mpl.rc_context(STYLE):
        figure, axes = _figure(3.1)
        middles = (actual.edges_mm[1:] + actual.edges_mm[:-1]) / 2
        _bars(axes, actual, wall_colors(middles, float(actual.edges_mm[-1])) / 255)
        shares = 100 * nominal.area_mm2 / max(float(nominal.area_mm2.sum()), 1e-12)
        axes.stairs(shares, nominal.edges_mm, color=INK, linewidth=1.1)
        axes.axvline(limit_mm, color=INK, linewidth=0.8, linestyle=(0, (4, 3)))
        axes.set_xlim(data_span(actual))
        axes.set_xlabel("wall, mm")
        _thou_axis(axes)
        return _svg(figure)


def data_span(data: Histogram) -> tuple[float, float]:
    """First and last edge."""
    return float(data.edges_mm[0]), float(data.edges_mm[-1])


def coverage_plot(bars: Sequence[CoverageBar]) -> str:
    """SVG of how much of each face or region was measured; hatched is not measured."""
    with mpl.rc_context(STYLE):
        figure, axes = _figure(0.9 + 0.27 * len(bars))
        rows = np.arange(len(bars))[::-1]
        shares = np.array([100 * bar.measured_share for bar in bars])
        axes.barh(
            rows, 100 - shares, left=shares, color="white", edgecolor=HATCH, hatch="/////", linewidth=0.6, height=0.62
        )
        axes.barh(rows, shares, color="#3d6b7d", height=0.62)
        for row, bar in zip(rows, bars, strict=True):
            axes.text(101, row, f"{100 * bar.measured_share:.0f} %", va="center", color=INK)
        axes.set_yticks(rows, [_clipped(bar.name) for bar in bars], parse_math=False)
        axes.set_xlim(0, 112)
        axes.set_xticks([0, 25, 50, 75, 100])
        axes.set_xlabel("share of area measured, %")
        axes.spines["top"].set_visible(False)
        axes.tick_params(length=0)
        return _svg(figure)


def image_address(svg: str) -> str:
    """A plot as an address that carries it whole."""
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}"


def curve_plot(plot: Plot) -> str:
    """SVG of curves with bands for their U; broken lines are required levels."""
    with mpl.rc_context(STYLE):
        figure, axes = _figure(3.0)
        for curve, (color, dashes) in zip(plot.curves, cycle(CURVES), strict=False):
            axes.plot(curve.x, curve.y, color=color, linestyle=dashes, linewidth=1.4, label=_clipped(curve.name))
            if curve.U is not None:
                low, high = np.array(curve.y) - curve.U, np.array(curve.y) + curve.U
                axes.fill_between(curve.x, low, high, color=color, alpha=0.18, linewidth=0)
        for level in plot.limits:
            axes.axhline(level, color=INK, linewidth=0.8, linestyle=(0, (4, 3)))
        axes.set_xlabel(_labelled(plot.x_label, plot.x_unit))
        axes.set_ylabel(_labelled(plot.y_label, plot.y_unit))
        if plot.x_unit == "mm":
            axes.secondary_xaxis("top", functions=(_to_inch, _from_inch)).set_xlabel("in")
        if plot.y_unit == "mm":
            axes.spines["right"].set_visible(True)
            axes.secondary_yaxis("right", functions=(_to_thou, _from_thou)).set_ylabel("thou (0.001 in)")
        if len(plot.curves) > 1:
            axes.legend(frameon=False, fontsize=8)
        return _svg(figure)


def _labelled(label: str, unit: str) -> str:
    written = UNIT_SIGNS.get(unit, unit)
    plain = _clipped(label, limit=60)
    return f"{plain}, {written}" if written else plain


def _clipped(name: str, limit: int = 28) -> str:
    """Names come from files: one line, only letters the font has, short."""
    known = _letters()
    plain = "".join(letter if ord(letter) in known else "·" for letter in name)
    return plain if len(plain) <= limit else plain[: limit - 1] + "…"


@lru_cache(maxsize=1)
def _letters() -> frozenset[int]:
    """Code points of the plots' font; a name with others would be drawn as empty boxes."""
    return frozenset(get_font(findfont(STYLE["font.family"])).get_charmap())


def _figure(height_in: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(7.4, height_in), layout="constrained")
    figure.set_facecolor("none")
    axes = figure.add_subplot()
    axes.set_facecolor("none")
    return figure, axes


def _bars(axes: Axes, data: Histogram, colors: Floats) -> None:
    shares = 100 * data.area_mm2 / max(float(data.area_mm2.sum()), 1e-12)
    axes.bar(data.edges_mm[:-1], shares, width=np.diff(data.edges_mm), align="edge", color=colors, linewidth=0)
    axes.set_ylabel("% of measured area")


def _thou_axis(axes: Axes) -> None:
    top = axes.secondary_xaxis("top", functions=(_to_thou, _from_thou))
    top.set_xlabel("thou (0.001 in)")


def _to_inch(mm: Any) -> Any:
    return np.asarray(mm) * THOU_PER_MM / 1000


def _from_inch(inch: Any) -> Any:
    return np.asarray(inch) / THOU_PER_MM * 1000


def _to_thou(mm: Any) -> Any:
    return np.asarray(mm) * THOU_PER_MM


def _from_thou(thou: Any) -> Any:
    return np.asarray(thou) / THOU_PER_MM


def _svg(figure: Figure) -> str:
    FigureCanvasSVG(figure)
    target = io.StringIO()
    figure.savefig(target, format="svg", metadata={"Date": None, "Creator": None})
    return target.getvalue()

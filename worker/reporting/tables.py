"""Rows and facts of the page's tables, worded from the document."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from shared.report import AlignmentRecord, CharacteristicRecord, Report, TemperatureRecord, Vector
from worker.reporting import wording
from worker.reporting.colors import EXCESS, INSIDE, MISSING, wall_table
from worker.reporting.plots import CoverageBar
from worker.reporting.wording import Pair

KIND_WORDS = {
    "size": "size",
    "distance": "distance",
    "angle": "angle",
    "flatness": "flatness",
    "straightness": "straightness",
    "roundness": "roundness",
    "cylindricity": "cylindricity",
    "parallelism": "parallelism",
    "perpendicularity": "perpendicularity",
    "angularity": "angularity",
    "position": "position",
    "coaxiality": "coaxiality",
    "circular_runout": "circular run-out",
    "total_runout": "total run-out",
    "surface_profile": "profile of a surface",
    "line_profile": "profile of a line",
    "wall_thickness": "least wall",
    "wall_between": "least wall between two regions",
    "room_to_remove": "room to cut back",
    "rod_passage": "gap round a rod",
    "machining_allowance": "machining allowance",
    "core_displacement": "core displacement",
    "fastener": "metal round a fastener",
    "fastener_line": "largest gap between fasteners",
    "fastener_sites": "sites for fasteners",
    "port_area": "least port area",
    "port_volume": "port volume",
    "port_sibling": "difference between sibling ports",
    "shrink": "shrink",
    "section_offset": "offset from a section",
    "pocket_depth": "depth along an axis",
    "cavity_volume": "cavity volume",
    "sibling_offset": "difference between siblings",
    "clearance": "clearance",
}
SIZE_WORDS = ("diameter", "width", "length", "nominal", "zone")  # in names of further figures: sizes, no departures
COVERAGE_BAR_LIMIT = 12  # more do not fit a plot that can be read
Text = str | Pair
Fact = tuple[str, Text]


class LegendEntry(NamedTuple):
    """One swatch of a legend; the label of a minor one can go where space is short."""

    fill: str
    label: Text
    is_minor: bool = False


@dataclass(frozen=True)
class CharacteristicRow:
    """A characteristic in words."""

    id: str
    kind: str
    kind_text: str
    title: str
    subject: list[str]
    nominal: Text
    limits: Text
    limits_source: str | None
    measured: Text
    U: Text
    coverage: str | None
    verdict: str
    probability: str | None
    reason: str | None
    point_mm: Vector | None
    budget: list[Fact]
    details: list[Fact]


def characteristic_rows(report: Report) -> list[CharacteristicRow]:
    """Characteristics in the order of the plan."""
    return [_characteristic_row(line) for line in report.characteristics]


def _characteristic_row(line: CharacteristicRecord) -> CharacteristicRow:
    def text(value: float | None) -> Text:
        return "—" if value is None else wording.in_unit(value, line.unit, line.kind)

    def small(value: float | None) -> Text:
        return "—" if value is None else wording.off_in_unit(value, line.unit)

    return CharacteristicRow(
        id=line.id,
        kind=line.kind,
        kind_text=KIND_WORDS[line.kind],
        title=line.title,
        subject=_subject(line),
        nominal=text(line.nominal),
        limits=limits_text(line),
        limits_source=line.limits_source,
        measured=text(line.measured),
        U=small(line.U),
        coverage=coverage_text(line),
        verdict=line.verdict,
        probability=None if line.probability is None else wording.share(line.probability),
        reason=line.reason,
        point_mm=line.point_mm,
        budget=[(plain_name(name), small(value)) for name, value in sorted(line.budget.items())],
        details=_both_ways(line)
        + [(plain_name(name), detail_text(name, value)) for name, value in sorted(line.details.items())],
    )


def _subject(line: CharacteristicRecord) -> list[str]:
    """What it speaks of and in which frame."""
    frame = None if line.frame is None else f"in {line.frame}"
    return [part for part in (line.region, line.feature, frame) if part is not None]


def coverage_text(line: CharacteristicRecord) -> str | None:
    """``k 2.26, 9 degrees of freedom``; how U was made where there is no such factor."""
    if line.U is None:
        return None
    if line.k is None:
        return None if line.U_monte_carlo is None else "from simulated draws"
    freedom = "" if line.dof is None else f", {line.dof:.0f} d.o.f."
    return f"k {line.k:.2f}{freedom}"


def _both_ways(line: CharacteristicRecord) -> list[Fact]:
    """U by propagation and by simulation, where the plan asked for both."""
    ways = (("U by propagation (GUM)", line.U_gum), ("U by simulation (Monte Carlo)", line.U_monte_carlo))
    return [(name, wording.off_in_unit(value, line.unit)) for name, value in ways if value is not None]


def limits_text(line: CharacteristicRecord) -> Text:
    """Least and largest permitted value: ``0.1 to 0.3 mm``, ``at most 0.3 mm``."""
    low, high = line.limits.lower, line.limits.upper
    lower = None if low is None else wording.in_unit(low, line.unit, line.kind)
    upper = None if high is None else wording.in_unit(high, line.unit, line.kind)
    if lower is not None and upper is not None:
        return span_text(lower, upper)
    if upper is not None:
        return _joined("at most ", upper)
    return "—" if lower is None else _joined("at least ", lower)


def span_text(lower: Text, upper: Text) -> Text:
    """``29.950 to 30.050 mm``: the unit once."""
    if isinstance(lower, Pair):
        return _joined(Pair(lower.mm.removesuffix(" mm"), lower.inch.rsplit(" ", 1)[0]), " to ", upper)
    return f"{lower.removesuffix(' %').removesuffix('°')} to {upper}"


def _joined(*parts: Text) -> Text:
    if not any(isinstance(part, Pair) for part in parts):
        return "".join(str(part) for part in parts)
    mm = "".join(part.mm if isinstance(part, Pair) else part for part in parts)
    return Pair(mm, "".join(part.inch if isinstance(part, Pair) else part for part in parts))


def plain_name(name: str) -> str:
    """``scan_noise_mm`` as ``scan noise``."""
    for unit in ("_mm2", "_mm", "_percent", "_deg", "_rad"):
        name = name.removesuffix(unit)
    return name.replace("_", " ")


def detail_text(name: str, value: float | str | list[float] | None) -> Text:
    """A further figure: lengths in both units where its name says it is one."""
    if value is None:
        return "—"
    if isinstance(value, str):
        return value
    if isinstance(value, list):
        return _list_text(name, value)
    if name.endswith("_mm"):
        is_size = any(word in name for word in SIZE_WORDS)
        return wording.size(value) if is_size else wording.departure(value, is_signed=True)
    if name.endswith("_deg"):
        return wording.degrees(value, 2)
    return wording.share(value) if name.endswith(("share", "probability")) else f"{value:.6g}"


def _list_text(name: str, value: list[float]) -> Text:
    if name.endswith("_mm") and len(value) == 3:
        return wording.vector(value)
    return ", ".join(f"{entry:.6g}" for entry in value)


def coverage_bars(report: Report) -> list[CoverageBar]:
    """The part, then its regions, then the faces least covered by area."""
    if report.deviation is None or report.coverage is None:
        return []
    whole = CoverageBar("whole part", report.coverage.measured_area_share, report.coverage.nominal_area_mm2)
    regions = [CoverageBar(row.name, row.measured_area_share, row.area_mm2) for row in report.deviation.regions]
    gaps = sorted(report.deviation.faces, key=lambda row: -(1 - row.measured_area_share) * row.area_mm2)
    faces = [CoverageBar(row.name, row.measured_area_share, row.area_mm2) for row in gaps]
    return [whole, *(regions + faces)[: COVERAGE_BAR_LIMIT - 1]]


def deviation_facts(report: Report) -> list[Fact]:
    """The distribution in a few lines."""
    found = report.deviation
    if found is None:
        return []
    facts: list[Fact] = []
    if found.percentiles_mm is not None:
        spread = found.percentiles_mm
        for name, low, high in (
            ("half of the area", "p25", "p75"),
            ("90 % of the area", "p05", "p95"),
            ("98 % of the area", "p01", "p99"),
        ):
            pair = (wording.departure(getattr(spread, key), is_signed=True) for key in (low, high))
            facts.append((f"{name} lies within", span_text(next(pair), next(pair))))
        facts.append(("median", wording.departure(spread.p50, is_signed=True)))
    for name, value, is_signed in (
        ("mean", found.mean_mm, True),
        ("rms", found.rms_mm, False),
        ("scan noise (1 sigma)", found.noise_sigma_mm, False),
    ):
        if value is not None:
            facts.append((name, wording.departure(value, is_signed=is_signed)))
    if found.share_beyond_tolerance is not None:
        facts.append(
            ("beyond the map tolerance", f"{wording.share(found.share_beyond_tolerance)} of the measured area")
        )
    return facts + _coverage_facts(report)


def _coverage_facts(report: Report) -> list[Fact]:
    coverage = report.coverage
    if coverage is None:
        return []
    facts: list[Fact] = [("measured", f"{wording.share(coverage.measured_area_share)} of the area of nominal")]
    aside = ", ".join(
        f"{count} {reason.replace('_', ' ')}" for reason, count in sorted(coverage.set_aside.items()) if count
    )
    facts.append(("scan points", f"{coverage.scan_point_count}" + (f", of which set aside: {aside}" if aside else "")))
    return facts


def shrink_rows(report: Report) -> list[tuple[str, str, str]]:
    """Overall and along each axis; a dash where the scan does not span it."""
    found = report.shrink
    if found is None:
        return []
    rows = [("overall", wording.percent(found.percent, 3), wording.percent(found.U_percent, 3))]
    for axis, value, U in zip("xyz", found.percent_xyz, found.U_percent_xyz, strict=True):
        shown = [("not measured" if v is None else wording.percent(v, 3)) for v in (value, U)]
        rows.append((axis, shown[0], shown[1]))
    return rows


def alignment_text(report: Report) -> str:
    """One sentence: what came of it."""
    found = report.alignment
    words = {
        "aligned": "The scan was turned and shifted onto nominal, without scaling or mirroring.",
        "ambiguous": "More than one pose explains the scan almost equally well; the figures are for the best.",
        "not_aligned": "The scan could not be laid onto nominal, so nothing was measured.",
    }
    return f"{words[found.status]} {found.reason or ''}".strip()


def alignment_facts(report: Report) -> list[Fact]:
    """How well the scan fits and how well it is held."""
    found = report.alignment
    facts: list[Fact] = [("method", found.method)]
    lengths = (
        ("rms after point-to-plane ICP", found.icp_rms_mm),
        ("rms after robust refinement", found.robust_rms_mm),
        ("refinement moved the part by", found.icp_moved_mm),
        ("spread of residuals (1 sigma)", found.sigma_mm),
    )
    facts += [(name, wording.departure(value)) for name, value in lengths if value is not None]
    shares = (("scan points kept", found.kept_share_of_scan), ("scan points on the part", found.overlap_share_of_scan))
    facts += [(name, wording.share(value)) for name, value in shares if value is not None]
    facts += _freedom_facts(found)
    facts.append(("orientations tried", str(found.candidate_count)))
    return facts


def _freedom_facts(found: AlignmentRecord) -> list[Fact]:
    if found.freedom is None:
        return []
    held = found.freedom
    return [
        ("held least in", held.weakest),
        ("standard uncertainty there", wording.departure(held.weakest_sigma_mm)),
        ("standard uncertainty of position", wording.vector(held.sigma_translation_mm)),
    ]


def provenance_facts(report: Report) -> list[Fact]:
    """What was inspected how finely."""
    made = report.provenance
    facts: list[Fact] = [("seed", str(made.seed)), ("places measured", f"{made.tessellation.sample_count}")]
    facts.append(("typical spacing", wording.size(made.tessellation.sample_spacing_mm)))
    if made.tessellation.chord_tolerance_mm is not None:
        facts.append(
            (
                "triangles lie within",
                _joined(wording.departure(made.tessellation.chord_tolerance_mm), " of the CAD's surface"),
            )
        )
    if report.temperature is not None:
        facts.append(("temperature", _temperature_text(report.temperature)))
    if made.plan_sha256 is not None:
        facts.append(("plan", f"{made.plan_title or 'untitled'}, SHA-256 {made.plan_sha256}"))
    return facts


def _temperature_text(found: TemperatureRecord) -> str:
    return (
        f"scanned at {found.celsius:g} °C, brought to 20 °C (ISO 1) with {found.expansion_ppm_per_kelvin:g} ppm per "
        f"kelvin ({found.source}): lengths times {found.factor:.6f}, U {found.U_factor:.1e} of a length"
    )


def deviation_legend(steps_mm: Sequence[float]) -> list[LegendEntry]:
    """Missing to excess, then what was not measured."""
    low = [
        LegendEntry(hex_color(color), _joined("-", _bare(steps_mm[k])), k % 2 == 0) for k, color in enumerate(MISSING)
    ]
    high = [
        LegendEntry(hex_color(color), _joined("+", _bare(steps_mm[k])), k % 2 == 0) for k, color in enumerate(EXCESS)
    ]
    inside = _joined("±", _bare(steps_mm[0]))
    return [*reversed(low), LegendEntry(hex_color(INSIDE), inside), *high, LegendEntry("url(#hatch)", "not measured")]


def _bare(value_mm: float) -> Pair:
    return Pair(f"{value_mm:.4g}", f"{value_mm / wording.MM_PER_INCH * 1000:.3g}")


def wall_legend(top_mm: float) -> list[LegendEntry]:
    """Thin to thick, then where no wall was found."""
    colors = wall_table()
    entries = []
    for k, color in enumerate(colors):
        low = Pair(f"{k * top_mm / len(colors):.3g}", f"{k * top_mm / len(colors) / wording.MM_PER_INCH:.3g}")
        entries.append(LegendEntry(hex_color([int(v) for v in color]), low, k % 2 == 1))
    return [*entries, LegendEntry("url(#hatch)", "no wall")]


def hex_color(color: Sequence[int]) -> str:
    """``#rrggbb``."""
    return "#" + "".join(f"{int(part):02x}" for part in color)

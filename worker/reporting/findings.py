"""The first screen: plain sentences, the most urgent first, each with where, by how much and how sure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from shared.report import (
    AlignmentRecord,
    CharacteristicRecord,
    Coverage,
    DeviationSummary,
    FaceStatistics,
    Finding,
    MeasuredFeature,
    Place,
    ShrinkSummary,
    Spot,
    Summary,
    ThicknessSummary,
    Vector,
)
from worker.reporting import wording
from worker.reporting.advice import advice, vector_of
from worker.reporting.feature_rows import displaced_features, feature_text, offset_text

SUBJECTS = {
    "flatness": "it needs a zone of",
    "straightness": "it needs a zone of",
    "roundness": "its worst section needs a ring of",
    "cylindricity": "it needs a zone of",
    "parallelism": "it needs a zone of",
    "perpendicularity": "it needs a zone of",
    "angularity": "it needs a zone of",
    "position": "it needs a zone of diameter",
    "coaxiality": "its axis needs a zone of diameter",
    "circular_runout": "it runs out by",
    "total_runout": "it runs out by",
    "surface_profile": "the surface needs a zone of",
    "line_profile": "the section needs a zone of",
    "wall_thickness": "the least wall is",
    "fastener": "the least metal round the hole is",
    "fastener_line": "the largest gap is",
    "fastener_sites": "sites that keep every minimum:",
    "wall_between": "the least wall, in any direction, is",
    "room_to_remove": "everywhere it may be cut back by at least",
    "rod_passage": "the gap all round the rod is",
    "machining_allowance": "the least left to machine is",
    "port_area": "the least area of its sections is",
    "port_volume": "it holds",
    "port_sibling": "the two differ in place by",
    "section_offset": "from the section's centroid the axis lies off by",
    "sibling_offset": "the two differ in place by",
    "clearance": "the least clearance is",
}
AGAINST_NOMINAL = frozenset({"size", "distance", "angle", "pocket_depth", "cavity_volume"})
OWN_LIMITS = "deviations in the plan"  # told as figures; any other source is named
WORST_PLACES_SHOWN = 4  # more are in the table
THIN_SPOTS_SHOWN = 3
POOR_FACES_SHOWN = 3
POOR_COVERAGE = 0.6  # a face seen for less than this is worth a sentence; common practice, no source
LEAST_FACE_SHARE = 0.005  # of the part's area; smaller faces are in the table only
NO_SCANNER = (
    "The plan states no uncertainty for the scanner, so every U counts only what this scan shows of itself: "
    "the true U is larger. State the scanner's figure in the plan."
)
LEAST_WAY = 1e-9  # for division only
SAME_GAP_SHARE = 0.1  # face and region this alike in area and place are one gap, told once
Severity = Literal["wrong", "doubt", "note"]
Outcome = Literal["conforms", "does_not_conform", "not_proven", "not_aligned", "not_judged"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Findable:
    """What sentences are made from; the parts of the document.

    has_scanner : the plan states what the scanner itself can do
    told_places : indices of worst places that lie where a characteristic's finding already points
    """

    alignment: AlignmentRecord
    coverage: Coverage | None
    deviation: DeviationSummary | None
    thickness: ThicknessSummary | None
    shrink: ShrinkSummary | None
    characteristics: list[CharacteristicRecord]
    told_places: frozenset[int] = frozenset()
    has_scanner: bool = True
    features: Sequence[MeasuredFeature] = ()


def summarise(found: Findable) -> Summary:
    """Outcome, headline and ranked findings."""
    findings = [*_pose_findings(found.alignment), *_characteristic_findings(found.characteristics)]
    if found.alignment.status != "not_aligned":
        findings += _map_findings(found)
    outcome = _outcome(found)
    rank = {"wrong": 0, "doubt": 1, "note": 2}
    findings.sort(key=lambda finding: rank[finding.severity])  # stable: within a severity the order above holds
    counts: dict[str, int] = dict(sorted(Counter(line.verdict for line in found.characteristics).items()))
    return Summary(outcome=outcome, headline=_headline(outcome, found, counts), findings=findings, counts=counts)


def _outcome(found: Findable) -> Outcome:
    if found.alignment.status == "not_aligned":
        return "not_aligned"
    verdicts = {line.verdict for line in found.characteristics}
    if not verdicts:
        return "not_judged"
    if "does_not_conform" in verdicts:
        return "does_not_conform"
    is_doubtful = verdicts & {"not_proven", "not_measured"} or found.alignment.status == "ambiguous"
    return "not_proven" if is_doubtful else "conforms"


def _headline(outcome: Outcome, found: Findable, counts: dict[str, int]) -> str:
    total = len(found.characteristics)
    if outcome == "not_aligned":
        return "The scan could not be laid onto the nominal, so nothing was measured."
    if outcome == "not_judged":
        return "No plan was given, so nothing is judged: this is what was measured."
    if outcome == "conforms":
        return (
            f"All {total} characteristics conform, with U counted against the piece."
            if total > 1
            else "The one characteristic conforms."
        )
    bad = counts.get("does_not_conform", 0)
    open_count = counts.get("not_proven", 0) + counts.get("not_measured", 0)
    parts = [f"{bad} of {total} characteristics {'does' if bad == 1 else 'do'} not conform"] if bad else []
    if open_count:
        parts.append(f"{open_count} of {total} {'is' if open_count == 1 else 'are'} neither proven good nor bad")
    if found.alignment.status == "ambiguous":
        parts.append("the pose is ambiguous")
    return "; ".join(parts) + "."


def _finding(
    severity: Severity,
    text: str,
    *,
    value_mm: float | None = None,
    U_mm: float | None = None,
    point_mm: Vector | None = None,
) -> Finding:
    return Finding(severity=severity, text=text, value_mm=value_mm, U_mm=U_mm, point_mm=point_mm, characteristic=None)


def _pose_findings(alignment: AlignmentRecord) -> list[Finding]:
    if alignment.status == "aligned":
        return []
    reason = alignment.reason or "no reason was recorded"
    if alignment.status == "not_aligned":
        return [_finding("wrong", f"The scan does not fit this nominal: {reason}")]
    rival = alignment.rivals[0] if alignment.rivals else None
    if rival is None:
        return [_finding("doubt", f"The pose is ambiguous: {reason}")]
    where = (
        f"scan within {wording.size(rival.deciding_radius_mm)} of {wording.position(rival.deciding_point_mm)} to decide"
    )
    return [
        _finding("doubt", f"The pose is ambiguous: {reason} To be sure, {where}.", point_mm=rival.deciding_point_mm)
    ]


# --- characteristics ---------------------------------------------------------------------------


def _characteristic_findings(lines: list[CharacteristicRecord]) -> list[Finding]:
    """Worst excess over its limit first; then what is not proven; then what was not measured."""
    bad = sorted((line for line in lines if line.verdict == "does_not_conform"), key=lambda line: -_excess_share(line))
    doubtful = [line for verdict in ("not_proven", "not_measured") for line in lines if line.verdict == verdict]
    return [_characteristic_finding(line, lines) for line in [*bad, *doubtful]]


def _excess_share(line: CharacteristicRecord) -> float:
    """How far beyond its limit, in shares of the zone between two, or of the way from nominal to the one.

    A wall of 6 mm that may lose 0.5 and lost 0.9 is as urgent as a hole 0.9 off that may be 0.5.  Where nominal
    itself lies beyond, or there is none, the limit counts as the way.
    """
    low, high = line.limits.lower, line.limits.upper
    if line.measured is None:
        return 0.0
    beyond = max(0.0 if low is None else low - line.measured, 0.0 if high is None else line.measured - high)
    if low is not None and high is not None:
        return beyond / max(high - low, LEAST_WAY)
    limit = low if low is not None else high or 0.0
    way = 0.0 if line.nominal is None else (line.nominal - limit if low is not None else limit - line.nominal)
    return beyond / max(way if way > 0 else abs(limit), LEAST_WAY)


def _characteristic_finding(line: CharacteristicRecord, lines: list[CharacteristicRecord]) -> Finding:
    is_length = line.unit == "mm"
    return Finding(
        severity="wrong" if line.verdict == "does_not_conform" else "doubt",
        text=_characteristic_text(line, lines),
        value_mm=line.measured if is_length else None,
        U_mm=line.U if is_length else None,
        point_mm=line.point_mm,
        characteristic=line.id,
    )


def _characteristic_text(line: CharacteristicRecord, lines: list[CharacteristicRecord]) -> str:
    if line.verdict == "not_measured" or line.measured is None:
        return f"{line.title} was not measured: {line.reason or 'no reason was recorded'}."
    limit = _limit_words(line)
    if line.verdict == "does_not_conform":
        return f"{_measured_words(line)}: does not conform to {limit}.{advice(line, lines)}"
    if _reaches_across(line):
        return (
            f"{_measured_words(line)}: U reaches across the limit ({limit}), so it is proven neither good nor bad"
            f"{_odds(line)}."
        )
    return f"{_measured_words(line)}, limit {limit}: not proven, {line.reason}."


def _reaches_across(line: CharacteristicRecord) -> bool:
    """Whether U is what keeps it from being proven, and not that too little was seen."""
    low, high, U = line.limits.lower, line.limits.upper, line.U or 0.0
    value = 0.0 if line.measured is None else line.measured
    return any(limit is not None and value - U < limit < value + U for limit in (low, high))


def _measured_words(line: CharacteristicRecord) -> str:
    """Subject, figure and how sure."""
    value = 0.0 if line.measured is None else line.measured
    measured = wording.in_unit(value, line.unit, line.kind)
    sure = "" if line.U is None else f", U {wording.off_in_unit(line.U, line.unit)}"
    if line.kind == "core_displacement":
        moved = vector_of(line, "displacement_mm")
        by_axis = "" if moved is None else f" ({wording.vector(moved)})"
        return f"Core {line.region or line.title} sits {measured} off{by_axis}{sure}"
    if line.kind in AGAINST_NOMINAL and line.nominal is not None:
        off = wording.off_in_unit(value - line.nominal, line.unit, is_signed=True)
        nominal = wording.in_unit(line.nominal, line.unit, line.kind)
        return f"{line.title} is {measured}, {off} against {nominal}{sure}"
    return (
        f"{line.title}: {SUBJECTS[line.kind]} {measured}{_offset_words(line)}{sure}"
        if line.kind in SUBJECTS
        else (f"{line.title} is {measured}{sure}")
    )


def _odds(line: CharacteristicRecord) -> str:
    """The probability of conformance, where it was worked out."""
    if line.probability is None:
        return ""
    return f"; the probability that it conforms is {wording.share(line.probability)}"


def _offset_words(line: CharacteristicRecord) -> str:
    """How an axis or centre is off, at the worse of its two ends."""
    ends = [vector_of(line, name) for name in ("offset_at_start_mm", "offset_at_end_mm")]
    known = [end for end in ends if end is not None]
    if line.kind != "position" or not known:
        return ""
    return f" (off by {wording.vector(max(known, key=lambda end: sum(part**2 for part in end)))})"


def _limit_words(line: CharacteristicRecord) -> str:
    low, high = (
        None if limit is None else wording.in_unit(limit, line.unit, line.kind)
        for limit in (line.limits.lower, line.limits.upper)
    )
    source = f", {line.limits_source}" if line.limits_source not in {None, OWN_LIMITS} else ""
    if low is not None and high is not None:
        return f"{low} to {high}{source}"
    return f"at most {high}{source}" if high is not None else f"at least {low}{source}"


# --- maps --------------------------------------------------------------------------------------


def _map_findings(found: Findable) -> list[Finding]:
    is_judged = bool(found.characteristics)
    findings: list[Finding] = []
    if found.deviation is not None:
        off = [] if is_judged else displaced_features(found.features, found.deviation.tolerance_mm)
        findings += [_feature_finding(feature) for feature in off]
        told = {face for feature in off for face in feature.faces}
        worst = enumerate(found.deviation.worst)
        untold = [place for k, place in worst if k not in found.told_places and place.face not in told]
        findings += [_place_finding(place) for place in untold[:WORST_PLACES_SHOWN]]
        if not found.deviation.worst and found.coverage is not None and found.coverage.measured_area_share > 0:
            findings.append(_nothing_beyond(found.deviation))
    if found.thickness is not None:
        findings += [_spot_finding(spot, found.thickness) for spot in found.thickness.spots[:THIN_SPOTS_SHOWN]]
    if found.coverage is not None:
        findings += _coverage_findings(found.coverage, found.deviation)
    if is_judged and not found.has_scanner:
        findings.append(_finding("note", NO_SCANNER))
    if found.shrink is not None and not (is_judged and any(line.kind == "shrink" for line in found.characteristics)):
        findings.append(_shrink_finding(found.shrink))
    return findings


def _feature_finding(feature: MeasuredFeature) -> Finding:
    offset = feature.offset_mm
    assert offset is not None  # noqa: S101 only features found off are told
    text = f"{feature_text(feature)} sits {offset_text(feature)} off, U {wording.departure(offset.U)}."
    return _finding("note", text, value_mm=offset.value, U_mm=offset.U, point_mm=feature.surface_point_mm)


def _place_finding(place: Place) -> Finding:
    side = "too much material" if place.deviation_mm > 0 else "missing material"
    text = (
        f"{place.where}: {wording.departure(place.deviation_mm, is_signed=True)} ({side}), "
        f"U {wording.departure(place.U_mm)}, over {wording.area(place.area_mm2)}."
    )
    return _finding("note", text, value_mm=place.deviation_mm, U_mm=place.U_mm, point_mm=place.point_mm)


def _nothing_beyond(deviation: DeviationSummary) -> Finding:
    return _finding(
        "note",
        f"No place that was measured lies beyond the map tolerance of {wording.departure(deviation.tolerance_mm)}.",
    )


def _spot_finding(spot: Spot, thickness: ThicknessSummary) -> Finding:
    sure = f", U {wording.size(spot.U_mm)}" if spot.U_mm is not None else ""
    whose = "wall of the piece" if spot.is_actual else "wall in the nominal (the piece was not measured there)"
    text = (
        f"Thin spot, {spot.where}: {whose} {wording.size(spot.least_mm)}{sure}, "
        f"nominal {wording.size(spot.nominal_mm)}; thin means "
        f"below {wording.size(thickness.spot_limit_mm)} ({thickness.spot_limit_source})."
    )
    return _finding("note", text, value_mm=spot.least_mm, U_mm=spot.U_mm, point_mm=spot.point_mm)


def _coverage_findings(coverage: Coverage, deviation: DeviationSummary | None) -> list[Finding]:
    findings = []
    if coverage.measured_area_share < 1:
        missing = wording.share(1 - coverage.measured_area_share)
        text = f"{missing} of the surface was not measured, so nothing is known of it."
        findings.append(_finding("doubt" if coverage.measured_area_share < POOR_COVERAGE else "note", text))
    rows = [] if deviation is None else _poor([*deviation.regions, *deviation.faces], coverage.nominal_area_mm2)
    findings += [_gap_finding(row) for row in rows[:POOR_FACES_SHOWN]]
    if not coverage.is_facing_known:
        text = "The scan has no normals: a wall displaced by over half its thickness could be read from its other skin."
        findings.append(_finding("doubt", text))
    return findings


def _poor(rows: Iterable[FaceStatistics], part_area_mm2: float) -> list[FaceStatistics]:
    poor: list[FaceStatistics] = []
    for row in rows:
        is_told = any(_is_same_gap(row, other) for other in poor)
        is_large = row.area_mm2 > LEAST_FACE_SHARE * part_area_mm2
        if row.measured_area_share < POOR_COVERAGE and is_large and not is_told:  # a region may be one face
            poor.append(row)
    return sorted(poor, key=lambda row: -(1 - row.measured_area_share) * row.area_mm2)


def _is_same_gap(row: FaceStatistics, other: FaceStatistics) -> bool:
    """A face that is most of a region already told, at the same place; two alike ports are two gaps."""
    if row.point_mm is None or other.point_mm is None or row.source == other.source:
        return False
    is_alike = abs(row.area_mm2 - other.area_mm2) < SAME_GAP_SHARE * other.area_mm2
    return is_alike and math.dist(row.point_mm, other.point_mm) < SAME_GAP_SHARE * math.sqrt(other.area_mm2)


def _gap_finding(row: FaceStatistics) -> Finding:
    seen = "Nothing" if row.measured_area_share == 0 else f"Only {wording.share(row.measured_area_share)}"
    return _finding("doubt", f"{seen} of {row.name} was measured: scan it again if it matters.", point_mm=row.point_mm)


def _shrink_finding(shrink: ShrinkSummary) -> Finding:
    text = (
        f"Shrink {wording.percent(shrink.percent)}, U {wording.percent(shrink.U_percent)}, "
        f"against {wording.percent(shrink.allowance_percent)} allowed ({shrink.allowance_source})."
    )
    return _finding("note", text)

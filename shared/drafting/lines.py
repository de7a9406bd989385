"""The characteristics of a starting plan, group by group, as lines of YAML."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from shared.drafting.datums import GuessedDatum, is_outer, is_parallel
from shared.drafting.words import dot, feature_words, limit_figure, name_words, offset, plane_sides_mm
from shared.errors import PlanInvalid
from shared.feature_list import FeatureList, FeatureRecord
from shared.plan import PieceKind
from shared.tolerances.resolve import general_half_mm
from shared.units import LengthUnit

FLAT_SHARE = 0.1  # of the largest plane's area: smaller ones rarely have a flatness of their own
FLAT_COUNT = 12  # more than anyone puts on a drawing
SIZED = ("hole", "boss", "sphere", "slot")
PLACED = ("hole", "boss", "slot")
GROUPS = {"hole": "Holes", "boss": "Bosses", "slot": "Slots", "sphere": "Balls"}
LEAST_WALL_MM = 3.0  # sand cast aluminium; common practice, no source
OPPOSED_COSINE = -0.9999


@dataclass(frozen=True, kw_only=True)
class DraftChoices:
    """What the person asking knows.

    general : class of general tolerances, as the plan's ``general_tolerance``
    """

    general: str = "ISO 2768-m"
    kind: PieceKind = PieceKind.CASTING
    unit: LengthUnit = LengthUnit.MILLIMETRE


@dataclass(frozen=True)
class Sheet:
    """What every group is written from."""

    listed: FeatureList
    choices: DraftChoices
    datums: tuple[GuessedDatum, ...]

    def zone(self, size_mm: float, times: float = 1.0) -> str | None:
        """``times`` the general tolerance's deviation at a size, in the plan's unit; None where it has none."""
        try:
            half_mm, _ = general_half_mm(self.choices.general, size_mm)
        except PlanInvalid:
            return None
        return limit_figure(times * half_mm, self.choices.unit)

    @property
    def frame(self) -> str:
        """The key that says in which frame, if one could be guessed."""
        return f"frame: {frame_name(self.datums)}, " if self.datums else ""

    def words(self, feature: FeatureRecord) -> str:
        """What a feature is and where, for a comment."""
        return f"{name_words(feature)}: {feature_words(feature, self.choices.unit)}"


def frame_name(datums: Sequence[GuessedDatum]) -> str:
    """Such as ABC."""
    return "".join(datum.letter for datum in datums)


def characteristic_lines(sheet: Sheet) -> Iterator[str]:
    """All groups, each with its heading; empty groups are left out."""
    for heading, lines in (
        ("The whole part", _whole(sheet)),
        ("Overall sizes", _overall(sheet)),
        ("Planes", _planes(sheet)),
        *((heading, _sized(sheet, kind)) for kind, heading in GROUPS.items()),
        ("Patterns", _patterns(sheet)),
        ("Found, but nothing drafted", _left(sheet)),
    ):
        written = list(lines)
        if written:
            yield ""
            yield f"  # --- {heading}"
            yield from written


def _whole(sheet: Sheet) -> Iterator[str]:
    listed, kind = sheet.listed, sheet.choices.kind
    largest_mm = max(offset(listed.minimum_mm, listed.maximum_mm))
    zone = sheet.zone(largest_mm, 2)
    if zone is None:
        yield f"  # No profile drafted: {sheet.choices.general} has no value for the part's largest dimension."
    else:
        yield f"  # Zone: the whole band of {sheet.choices.general} at the part's largest dimension."
        yield f"  - {{id: profile, kind: surface_profile, zone: {zone}}}"
    yield from _walls(sheet, kind)


def _walls(sheet: Sheet, kind: PieceKind) -> Iterator[str]:
    general = sheet.choices.general
    if general.startswith("ISO 8062-3") and int(general.split()[-1]) <= 15:
        yield "  # Walls one grade coarser than the rest of the casting (ISO 8062-3), at the worst place."
        yield f"  - {{id: wall, kind: wall_thickness, grade: {general.split()[-1]}}}"
        return
    least = limit_figure(LEAST_WALL_MM, sheet.choices.unit)
    yield "  # Least wall: common practice for sand cast aluminium, no source; write your own."
    mark = "- " if kind is PieceKind.CASTING else "# - "
    yield f"  {mark}{{id: wall, kind: wall_thickness, least: {least}}}"


def _overall(sheet: Sheet) -> Iterator[str]:
    outer = [f for f in sheet.listed.features if f.kind == "plane" and is_outer(f, sheet.listed)]
    done: list[FeatureRecord] = []
    for first in sorted(outer, key=lambda plane: -plane.area_mm2):
        second = next((plane for plane in outer if _faces_away(first, plane)), None)
        if second is None or any(is_parallel(first.direction, other.direction) for other in done):
            continue
        done.append(first)
        if sheet.zone(_between_mm(first, second)) is not None:
            yield f"  # Over {sheet.words(first)}; and {sheet.words(second)}"
            yield f"  - {{id: {first.id}.to.{second.id}, kind: distance, first: {first.id}, second: {second.id}}}"


def _faces_away(first: FeatureRecord, second: FeatureRecord) -> bool:
    if first.direction is None or second.direction is None:
        return False
    cosine = dot(first.direction, second.direction)
    return cosine <= OPPOSED_COSINE


def _between_mm(first: FeatureRecord, second: FeatureRecord) -> float:
    gap, normal = offset(second.point_mm, first.point_mm), first.direction or (0.0, 0.0, 0.0)
    return abs(dot(gap, normal))


def _planes(sheet: Sheet) -> Iterator[str]:
    planes = sorted((f for f in sheet.listed.features if f.kind == "plane"), key=lambda plane: -plane.area_mm2)
    large = [plane for plane in planes if plane.area_mm2 >= FLAT_SHARE * planes[0].area_mm2][:FLAT_COUNT]
    shown, is_casting = False, sheet.choices.kind is PieceKind.CASTING
    for plane in large:
        zone = sheet.zone(plane_sides_mm(plane)[0])
        if zone is None:
            continue
        if not shown:
            shown = True
            yield (
                f"  # Flatness of the largest planes.  Zone: the deviation of {sheet.choices.general} "
                "at the plane's longer side;"
            )
            yield "  # the class has no flatness of its own, so this is a guess."
            if is_casting:
                yield "  # Faces that will be machined: take the mark off their allowance and choose its grade."
        yield f"  # {sheet.words(plane)}"
        yield f"  - {{id: {plane.id}.flatness, kind: flatness, feature: {plane.id}, zone: {zone}}}"
        if is_casting:
            yield f"  # - {{id: {plane.id}.allowance, kind: machining_allowance, feature: {plane.id}, grade: F}}"


def _sized(sheet: Sheet, kind: str) -> Iterator[str]:
    own = [feature for feature in sheet.listed.features if feature.kind == kind]
    if own and kind in PLACED:
        yield "  # Sizes: the plan's general tolerance.  Position: diameter of twice its deviation at the distance from"
        yield "  # the frame's datums, the circle inside the square of two coordinates so toleranced."
    for feature in own:
        yield f"  # {sheet.words(feature)}"
        yield from _size_line(sheet, feature)
        if kind in PLACED:
            yield from _position_line(sheet, feature)


def _size_line(sheet: Sheet, feature: FeatureRecord) -> Iterator[str]:
    if sheet.zone(_size_mm(feature)) is None:
        yield f"  # - no size: {sheet.choices.general} has no value for it; give deviations"
    else:
        yield f"  - {{id: {feature.id}.size, kind: size, feature: {feature.id}}}"


def _position_line(sheet: Sheet, feature: FeatureRecord) -> Iterator[str]:
    reach_mm = max(_reach_mm(sheet, feature), _size_mm(feature))
    zone = sheet.zone(reach_mm, 2)
    if any(datum.feature.id == feature.id and datum.feature.kind != "plane" for datum in sheet.datums[:2]):
        yield f"  # its position is that of the frame: it is a datum of {frame_name(sheet.datums)}"
    elif zone is None:
        yield f"  # - no position: {sheet.choices.general} has no value for its distance; give a zone"
    else:
        yield (
            f"  - {{id: {feature.id}.position, kind: position, feature: {feature.id}, "
            f"{sheet.frame}zone_diameter: {zone}}}"
        )


def _size_mm(feature: FeatureRecord) -> float:
    return feature.width_mm or 2 * (feature.radius_mm or 0.0)


def _reach_mm(sheet: Sheet, feature: FeatureRecord) -> float:
    """How far a feature lies from the farthest of the datums that place it, across its own axis."""
    own = feature.direction or (0.0, 0.0, 0.0)
    reaches = [0.0]
    for datum in sheet.datums:
        gap, other = offset(datum.feature.point_mm, feature.point_mm), datum.feature.direction or (0.0, 0.0, 0.0)
        if datum.feature.kind == "plane":
            square = 1 - dot(own, other) ** 2
            reaches.append(square * abs(dot(gap, other)))
        else:
            reaches.append(math.sqrt(max(dot(gap, gap) - dot(gap, own) ** 2, 0.0)))
    return max(reaches)


def _patterns(sheet: Sheet) -> Iterator[str]:
    known = {feature.id: feature for feature in sheet.listed.features}
    for pattern in (feature for feature in sheet.listed.features if feature.kind == "pattern"):
        yield f"  # {sheet.words(pattern)}"
        yield from _wrapped("  #   of ", pattern.members)
        if pattern.pattern == "line":
            yield from _pitches(sheet, [known[member] for member in pattern.members if member in known])


def _pitches(sheet: Sheet, members: Sequence[FeatureRecord]) -> Iterator[str]:
    ordered = _along_line(members)
    for first, second in pairwise(ordered):
        if sheet.zone(math.dist(first.point_mm, second.point_mm)) is not None:
            yield f"  - {{id: {first.id}.to.{second.id}, kind: distance, first: {first.id}, second: {second.id}}}"


def _along_line(members: Sequence[FeatureRecord]) -> list[FeatureRecord]:
    """From one end to the other: the end is what is farthest from the first."""
    if not members:
        return []
    end = max(members, key=lambda member: math.dist(member.point_mm, members[0].point_mm))
    return sorted(members, key=lambda member: math.dist(member.point_mm, end.point_mm))


def _left(sheet: Sheet) -> Iterator[str]:
    for feature in sheet.listed.features:
        if feature.kind == "cone":
            yield f"  # {sheet.words(feature)}"


def _wrapped(start: str, words: Iterable[str], width: int = 110) -> Iterator[str]:
    line = start
    for index, word in enumerate(words):
        piece = word if index == 0 else f", {word}"
        if len(line) + len(piece) > width:
            yield f"{line},"
            line, piece = "  #      ", word
        line += piece
    yield line

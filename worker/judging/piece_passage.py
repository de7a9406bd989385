"""The rod of a plan's line, and the surface it passes: nominal's and the piece's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan.passages import RodPassage
from worker.judging.measured import Measured
from worker.judging.seen_share import gap_text
from worker.measuring.samples import trusted_faces
from worker.measuring.statistics import EXTREME_SAMPLES, robust_extremes
from worker.passages.clearance import clearance
from worker.passages.records import Rod, Surface
from worker.passages.skin import Skin, axis_distance, least_axis_distance, skin_near
from worker.records import Bools

PRESETS_MM = {"1/2 in": 12.7, "9/16 in": 14.2875, "5/8 in": 15.875}  # sizes of push rods; common practice, no source
MARGIN_MM = 2.0  # surface this much farther off than what counts is looked at too; castings seldom lie farther off
CALM_ROUNDS = 2  # of averaging with neighbours, some twenty samples, so that no single one decides
JOIN_CHORDS = 1.5  # samples of two faces on one round edge lie up to a chord's sagitta apart
LEAST_JOIN_MM = 1e-5


@dataclass(frozen=True, eq=False)
class Passage:
    """A rod and the surface near it.

    rod : in the frame of ``surface``, the pose's;  radius_mm : of the rod wanted;  need_mm : clearance of its axis
    is_member : (s,) samples that count
    """

    rod: Rod
    radius_mm: float
    need_mm: float
    surface: Surface
    is_member: Bools

    def nominal_skin(self, reach_mm: float) -> Skin:
        """Nominal within reach of the axis."""
        return skin_near(self.surface.nominal, self.rod, reach_mm, self.is_member)

    def seen_skin(self, reach_mm: float) -> Skin:
        """What was seen of the piece within reach of the axis."""
        skin = skin_near(self.surface, self.rod, reach_mm, self.is_member)
        return skin.part(skin.is_seen)


@dataclass(frozen=True, eq=False)
class Seen:
    """How much of the surface near the rod was scanned.

    is_near : (s,) samples that count
    share : by area, 0 where nothing was
    unseen_mm : distance from the axis of the nearest surface not scanned, where the CAD has it; None without any
    swing_mm : how far the scanned surface near it lies outside its nominal, at most
    """

    is_near: Bools
    share: float
    unseen_mm: float | None
    swing_mm: float


def wanted_mm(line: RodPassage) -> float:
    """Diameter of the rod wanted."""
    return PRESETS_MM[line.preset] if line.preset is not None else float(line.diameter or 0.0)


def rod_of(line: RodPassage) -> Rod:
    """The rod as the plan places it, in part axes."""
    ends = [
        None if place is None else np.array(place, dtype=np.float64)
        for place in (line.start, line.end, line.start_travel, line.end_travel)
    ]
    if ends[0] is None or ends[1] is None:
        raise ValueError("a rod without ends")
    return Rod.between(ends[0], ends[1], ends[2], ends[3])


def passage_of(line: RodPassage, rod: Rod, measured: Measured) -> Passage:
    """The rod with the surface of the piece; that of nominal, not seen, where nothing was measured.

    Raises
    ------
    PlanInvalid
        If the line names a region that is not there.

    """
    is_member = np.ones(len(measured.samples.face), dtype=bool)
    if line.regions is not None:
        is_member = np.logical_or.reduce([measured.region(name).is_member for name in line.regions])
    surface = measured.once("passage surface", lambda: _surface(measured))
    radius = wanted_mm(line) / 2
    return Passage(rod, radius, radius + line.least, surface, is_member)


def _surface(measured: Measured) -> Surface:
    count, deviation = len(measured.samples.face), measured.deviation
    is_seen = np.zeros(count, dtype=bool) if deviation is None else deviation.is_measured
    offset = np.zeros(count)
    if deviation is not None:
        calm = measured.net.smooth(deviation.distance_mm, is_seen, rounds=CALM_ROUNDS)
        offset = np.where(is_seen, calm, 0.0)
    return Surface(
        samples=measured.samples,
        offset_mm=offset,
        is_seen=is_seen,
        is_rim=measured.net.is_rim,
        table=trusted_faces(measured.nominal),
        join_mm=max(LEAST_JOIN_MM, JOIN_CHORDS * (measured.nominal.chord_tolerance_mm or 0.0)),
    )


def reach_of(passage: Passage) -> float:
    """Distance from the axis within which the nearest surface lies, nominal's and the seen piece's."""
    samples, surface = passage.surface.samples, passage.surface
    near = passage.need_mm + MARGIN_MM
    best = [passage.need_mm]
    both = ((samples.points_mm, passage.is_member), (surface.piece_mm, passage.is_member & surface.is_seen))
    for points, chosen in both:
        if chosen.any():
            best.append(least_axis_distance(passage.rod, points[chosen], near))
    return max(best)


def nominal_gap_mm(line: RodPassage, measured: Measured) -> float | None:
    """Gap round the rod wanted in the CAD; None where its regions hold no surface or are not known yet."""
    known = {region.name for region in measured.regions}
    if line.regions is not None and not known.issuperset(line.regions):
        return None
    passage = passage_of(line, rod_of(line), measured)
    found = measured.once(
        ("nominal clearance of rod", line.model_dump_json()),
        lambda: clearance(passage.nominal_skin(reach_of(passage)), passage.rod),
    )
    return None if found is None else found.least_mm - passage.radius_mm


def seen_near(passage: Passage) -> Seen:
    """How much of the surface that may touch was scanned, and where the nearest that was not lies."""
    samples, surface = passage.surface.samples, passage.surface
    near_mm = passage.need_mm + MARGIN_MM
    nearest_nominal = least_axis_distance(passage.rod, samples.points_mm[passage.is_member], near_mm)
    limit = max(passage.need_mm, nearest_nominal) + MARGIN_MM
    distance = axis_distance(passage.rod, samples.points_mm, within_mm=limit)
    is_near = passage.is_member & (distance <= limit)
    used, unseen = is_near & surface.is_seen, is_near & ~surface.is_seen
    area = samples.area_mm2
    share = float(area[used].sum() / area[is_near].sum()) if is_near.any() else 0.0
    swing = 0.0
    if used.any():
        _, swing = robust_extremes(surface.offset_mm[used], area[used], EXTREME_SAMPLES * samples.spacing_mm**2)
    nearest = float(distance[unseen].min()) if unseen.any() else None
    return Seen(is_near, share, nearest, max(float(swing), 0.0))


def why_not_shown(seen: Seen, radius_mm: float, least_mm: float) -> str | None:
    """Why a rod may not be said to pass although the surface that was seen lets it; None where it may."""
    text = gap_text(seen.share)
    if text is not None:
        return f"the surface near the rod: {text}"
    if seen.unseen_mm is None or seen.unseen_mm - seen.swing_mm >= radius_mm + least_mm:
        return None
    room = seen.unseen_mm - radius_mm
    return f"surface that was not scanned is {room:.3f} mm from the rod in the CAD, and may lie nearer than is allowed"

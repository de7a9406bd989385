"""The wall between two regions, and the room to cut one of them back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shared.plan import Plan
from shared.plan.walls import RoomToRemove, WallBetween
from worker.judging.finding import Details, Finding, Unmeasured, plain_finding, row
from worker.judging.measured import Measured
from worker.judging.nominal_walls import NominalRoom, NominalWall, room_of_nominal, room_settings, wall_of_nominal
from worker.judging.piece_walls import Sources, WallMap, map_of, skin_of_piece, thin_map, wall_map
from worker.judging.seen_share import gap_text
from worker.judging.verdicts import COVERAGE_FACTOR
from worker.judging.wall_exhibits import SPOT_SHARE, room_exhibits, wall_exhibits
from worker.records import Bools, Ints
from worker.walls.between import LeastWall, thin_samples, wall_lines
from worker.walls.room import room_behind
from worker.walls.skins import Skin

SURFACES = "both surfaces"
STRAIGHT = 0.97  # cosine between the line across a wall and the normal: within 14 degrees it lies behind the surface
LEAST_ZONE_MM = 1.0  # room up to this much more than half again matters to whoever grinds; no source
THIN_SHARE = 1.5  # of the least wall allowed, or the CAD's least: thicker walls need not be seen; no source
GRINDING = (
    "Behind this surface lie passages under pressure. A scan sees no porosity, no sand inclusion and no wall it did "
    "not reach. Before and after cutting verify the wall by sonic check, and the part by pressure test."
)


def wall_between(line: WallBetween, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least distance between two skins of the piece, in any direction; made once for each line.

    ``wall_thickness`` measures along the inward normal, and counts both skins where they face each
    other.  Here the nearest places count, wherever they lie: bores that cross, a ball under a face.
    A skin that was not scanned stays where the CAD has it: the figure is then shown neither to conform nor to fail.
    """
    key = ("wall between", line.model_dump_json(), repr(plan.scanner))
    return measured.once(key, lambda: _wall_between(line, plan, measured))


def room_to_remove(line: RoomToRemove, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least cut back along the inward normal at which some wall behind the region reaches its minimum.

    Nowhere can it be less than the least wall above its minimum, and where the thinnest place lies
    straight behind the surface it is just that.  Elsewhere, as along rims, it is read off the map.
    """
    own = room_of_nominal(line, measured)
    if isinstance(own, str):
        return Unmeasured(own)
    member = measured.region(line.region).is_member
    near = skin_of_piece(line.region, own.skin, measured)
    if not near.is_seen.any():
        return Unmeasured(f"the scan shows nothing of '{line.region}'", sample_mask=member, caution=GRINDING)
    walls = [
        replace(kept, skin=skin_of_piece(wall.toward, kept.skin, measured))
        for wall, kept in zip(line.walls, own.walls, strict=True)
    ]
    room = room_behind(near, walls, room_settings(line))
    found = map_of(room.lines, own.room.lines.wall_mm, measured, is_smooth=False)
    if found.least is None:
        return _roomy(line, own, found, plan, measured)
    over = _View(found, found.least, (line.region, line.walls[int(room.wall[found.least.at])].toward))
    view = min([over, *_direct(line, measured)], key=lambda one: one.least.wall_mm)
    sources = Sources.of(plan, measured)
    share = _seen_share(found, max(line.required, own.least_mm, LEAST_ZONE_MM), measured)
    unseen = [wall.toward for wall, kept in zip(line.walls, walls, strict=True) if not kept.skin.is_seen.any()]
    gaps = [f"'{name}' was not scanned and is taken as the CAD has it" for name in unseen]
    held_by = view.names[1] if view.names[0] == line.region else view.names[0]
    return plain_finding(
        view.least.wall_mm,
        sources.budget(view.found.lines, view.least),
        point_mm=measured.samples.points_mm[view.row_on(line.region)].copy(),
        details={"held_by": held_by, "seen_share": share, "seen": view.one_sided or "both sides"},
        sample_mask=member,
        gap="; ".join(gaps) or view.one_sided or gap_text(share),
        is_assumed=view.one_sided is not None,
        exhibits=room_exhibits(line, found, room.wall, sources),
        caution=GRINDING,
    )


def _direct(line: RoomToRemove, measured: Measured) -> list[_View]:
    """Thinnest places that lie straight behind the region's surface, with the room that each leaves."""
    views: list[_View] = []
    for wall in line.walls:
        own = wall_of_nominal(line.region, wall.toward, measured)
        if isinstance(own, str):
            continue
        for view in _views((line.region, wall.toward), own, wall.least, measured):
            way = (view.least.far_mm - view.least.near_mm) * (1 if view.names[0] == line.region else -1)
            normal = measured.samples.normals[view.row_on(line.region)]
            if -way @ normal >= STRAIGHT * np.linalg.norm(way):
                views.append(replace(view, least=replace(view.least, wall_mm=view.least.wall_mm - wall.least)))
    return views


@dataclass(frozen=True, eq=False)
class _View:
    """The map that a least wall was found in.

    least : its wall, or the room that this wall leaves;  names : of the region the map is over and of the other
    """

    found: WallMap
    least: LeastWall
    names: tuple[str, str]

    @property
    def one_sided(self) -> str | None:
        """Why the figure may not pass, where only one skin was scanned at its place."""
        lines, at = self.found.lines, self.least.at
        seen = (bool(lines.near_seen[at]), bool(lines.far_seen[at]))
        if all(seen):
            return None
        scanned, other = self.names if seen[0] else self.names[::-1]
        return f"only '{scanned}' was scanned there: '{other}' is taken as the CAD has it, which U says nothing of"

    def row_on(self, region: str) -> int:
        """The sample at its place, on one of the two regions."""
        return self.least.near_row if self.names[0] == region else self.least.far_row


def _wall_between(line: WallBetween, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    own = wall_of_nominal(line.region, line.toward, measured)
    if isinstance(own, str):
        return Unmeasured(own)
    views = _views((line.region, line.toward), own, line.least, measured)
    member = measured.region(line.region).is_member | measured.region(line.toward).is_member
    if not views:
        return Unmeasured("the scan shows neither side of the wall", sample_mask=member)
    view = _told(views, line.least)
    sources = Sources.of(plan, measured)
    forth = _map_forth((line.region, line.toward), own, measured)
    share = _seen_share(forth, max(line.least, own.least.wall_mm), measured)
    return plain_finding(
        view.least.wall_mm,
        sources.budget(view.found.lines, view.least),
        point_mm=measured.samples.points_mm[view.least.near_row].copy(),
        details={**_details(view, share), "side": view.names[0]},
        sample_mask=member,
        gap=view.one_sided or gap_text(share),
        is_assumed=view.one_sided is not None,
        exhibits=wall_exhibits(line, forth, view.found, sources),
    )


def _told(views: Sequence[_View], least_mm: float) -> _View:
    """The thinnest place; where that rests on the CAD, the thinnest scanned on both sides if it fails by itself."""
    thinnest = min(views, key=lambda one: one.least.wall_mm)
    scanned = [replace(one, least=one.found.least_of_both) for one in views if one.found.least_of_both is not None]
    shown = min(scanned, key=lambda one: one.least.wall_mm, default=thinnest)
    return shown if thinnest.one_sided and shown.least.wall_mm < least_mm else thinnest


def _skins(names: tuple[str, str], own: NominalWall, measured: Measured) -> tuple[Skin, Skin]:
    near, far = (skin_of_piece(name, skin, measured) for name, skin in zip(names, own.skins, strict=True))
    return near, far


def _map_forth(names: tuple[str, str], own: NominalWall, measured: Measured) -> WallMap:
    """Walls of the piece from all of the first region to the second, made once."""

    def made() -> WallMap:
        near, far = _skins(names, own, measured)
        before = measured.before
        if before is not None and wall_of_nominal(*names, before) is own and _skins(names, own, before) == (near, far):
            return _map_forth(names, own, before)
        return wall_map(near, far, own.forth, measured)

    return measured.once(("walls of piece", *names), made)


def _map_back(names: tuple[str, str], own: NominalWall, least_mm: float, measured: Measured) -> WallMap:
    """Walls from the second region to the first wherever they may be the least or count as thin, made once.

    Between nominal and piece a wall changes by no more than its two skins have moved.
    """

    def made() -> WallMap:
        far, near = _skins(names, own, measured)
        forth = _map_forth(names, own, measured)
        found = None
        if forth.least is not None:
            moved = sum(float(np.abs(skin.off_mm).max(initial=0.0)) for skin in (near, far))
            reach = SPOT_SHARE * max(least_mm, forth.least.wall_mm, 0.0) + moved
            thin = thin_samples(own.skins[1], own.skins[0], reach, measured.samples)
            found = thin_map((near, far), (own.skins[1], own.skins[0]), thin, measured)
        return found or wall_map(near, far, wall_lines(own.skins[1], own.skins[0]), measured)

    return measured.once(("walls of piece, back", *names, least_mm), made)


def _views(names: tuple[str, str], own: NominalWall, least_mm: float, measured: Measured) -> list[_View]:
    """The least walls seen from either region; least_mm : what is asked of them."""
    both = ((_map_forth(names, own, measured), names), (_map_back(names, own, least_mm, measured), names[::-1]))
    return [_View(found, found.least, own_names) for found, own_names in both if found.least is not None]


def _details(view: _View, share: float) -> Details:
    nominal = float(view.found.nominal_mm[view.least.at])
    return {
        "opposite_point_mm": row(view.least.far_mm),
        "nominal_there_mm": nominal,
        "change_mm": view.least.wall_mm - nominal,
        "seen_share": share,
        "seen": view.one_sided or "both sides",
    }


def _seen_share(found: WallMap, thin_mm: float, measured: Measured) -> float:
    """Share of the area where nominal's wall is thin enough to matter that was scanned on both sides."""
    is_thin: Bools = found.lines.is_wall & (found.nominal_mm <= THIN_SHARE * thin_mm)
    rows: Ints = found.lines.row
    area = measured.samples.area_mm2[rows]
    whole = float(area[is_thin].sum())
    return float(area[is_thin & found.lines.near_seen & found.lines.far_seen].sum()) / whole if whole > 0 else 1.0


def _roomy(
    line: RoomToRemove, own: NominalRoom, found: WallMap, plan: Plan, measured: Measured
) -> Finding | Unmeasured:
    """Nowhere in the region is a wall near enough to hold it."""
    most = room_settings(line).most_mm
    member = measured.region(line.region).is_member
    text = f"no wall named here limits it to less than {most:g} mm, and no more was looked for"
    share = float(np.mean(found.lines.near_seen & found.lines.far_seen))
    own_U = Sources.of(plan, measured).map_U_mm(found.lines)
    return plain_finding(
        most,
        {SURFACES: float(np.median(own_U)) / COVERAGE_FACTOR},
        details={"room": text, "least_nominal_mm": own.least_mm, "seen_share": share},
        sample_mask=member,
        gap=gap_text(share),
        caution=GRINDING,
    )

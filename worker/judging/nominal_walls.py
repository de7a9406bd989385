"""Walls between regions, and the room to cut them back, as the CAD alone has them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from shared.plan.walls import RoomToRemove
from worker.judging.measured import Measured
from worker.walls.between import LeastWall, Lines, least_nominal, thin_samples, wall_lines
from worker.walls.room import Kept, Room, RoomSettings, room_behind
from worker.walls.skins import Skin, nominal_skin

MEET_SHARE = 1e-5  # of the part's size: regions this near have an edge in common, and no wall between them


@dataclass(frozen=True, eq=False)
class NominalWall:
    """The wall of nominal between two regions.

    skins : of ``region`` and ``toward``;  forth : lines from every sample of the first to the other
    least : the least of both;  is_forth : found from the first region
    """

    skins: tuple[Skin, Skin]
    forth: Lines
    least: LeastWall
    is_forth: bool


@dataclass(frozen=True, eq=False)
class NominalRoom:
    """skin : of the region;  walls : each to keep;  room : map;  least_mm : least of it."""

    skin: Skin
    walls: tuple[Kept, ...]
    room: Room
    least_mm: float

    def skins(self) -> tuple[Skin, ...]:
        """All it was made of."""
        return (self.skin, *(wall.skin for wall in self.walls))


def wall_of_nominal(region: str, toward: str, measured: Measured) -> NominalWall | str:
    """The wall of nominal, made once; a text where there is none, and why."""
    return measured.once(("wall of nominal", region, toward), lambda: _wall(region, toward, measured))


def room_of_nominal(line: RoomToRemove, measured: Measured) -> NominalRoom | str:
    """The room of nominal, made once; a text where there is none, and why."""
    key = ("room of nominal", line.region, *((wall.toward, wall.least) for wall in line.walls), line.required)
    return measured.once(key, lambda: _room(line, measured))


def room_settings(line: RoomToRemove) -> RoomSettings:
    """Room is followed past what the plan asks for."""
    plain = RoomSettings()
    return RoomSettings(most_mm=max(plain.most_mm, 2 * line.required))


def skin_of_region(name: str, measured: Measured) -> Skin | str:
    """Nominal's surface of a region, made once; a text where it is too small.

    Raises
    ------
    PlanInvalid
        If there is no region of that name.

    """

    def made() -> Skin | str:
        found = nominal_skin(measured.region(name).is_member, measured.nominal, measured.samples)
        if found is None:
            return f"region '{name}' is smaller than one triangle of the map"
        kept = None if measured.before is None else skin_of_region(name, measured.before)
        return kept if isinstance(kept, Skin) and kept.agrees(found) else found

    return measured.once(("skin of region", name), made)


def _wall(region: str, toward: str, measured: Measured) -> NominalWall | str:
    near, far = skin_of_region(region, measured), skin_of_region(toward, measured)
    if isinstance(near, str) or isinstance(far, str):
        return near if isinstance(near, str) else str(far)
    kept = None if measured.before is None else wall_of_nominal(region, toward, measured.before)
    if isinstance(kept, NominalWall) and kept.skins == (near, far):
        return kept
    forth = wall_lines(near, far)
    least_forth = least_nominal(forth, (near, far), measured.samples)
    thin = None if least_forth is None else thin_samples(far, near, least_forth.wall_mm, measured.samples)
    least_back = least_nominal(wall_lines(far, near, thin), (far, near), measured.samples)
    both = [(least_forth, True), (least_back, False)]
    found = [(least, is_forth) for least, is_forth in both if least is not None]
    if not found:
        return f"no material lies between '{region}' and '{toward}' in the CAD"
    least, is_forth = min(found, key=lambda one: one[0].wall_mm)
    if least.wall_mm <= _meeting_mm(measured):
        return f"'{region}' and '{toward}' meet in the CAD, so that no wall lies between them"
    return NominalWall((near, far), forth, least, is_forth)


def _room(line: RoomToRemove, measured: Measured) -> NominalRoom | str:
    near = skin_of_region(line.region, measured)
    if isinstance(near, str):
        return near
    walls: list[Kept] = []
    exact: list[float] = []
    for wall in line.walls:
        own = wall_of_nominal(line.region, wall.toward, measured)
        if isinstance(own, str):
            return own
        walls.append(Kept(own.skins[1], wall.least, own.forth.is_wall))
        exact += [own.least.wall_mm - wall.least] if own.least.is_exact else []
    kept = None if measured.before is None else room_of_nominal(line, measured.before)
    if isinstance(kept, NominalRoom) and kept.skins() == (near, *(wall.skin for wall in walls)):
        return kept
    settings = room_settings(line)
    room = room_behind(near, walls, settings)
    least = min([float(room.lines.wall_mm.min()), *exact])  # between samples it can be less than at any of them
    return NominalRoom(near, tuple(walls), room, least)


def _meeting_mm(measured: Measured) -> float:
    points: Any = measured.nominal.vertices_mm
    return MEET_SHARE * float(np.linalg.norm(np.ptp(points, axis=0)))

"""How far each place of a skin may be cut back before a wall behind it is too thin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from worker.records import Bools, Ints
from worker.walls.between import Lines, is_seen_at
from worker.walls.skins import Skin


@dataclass(frozen=True, kw_only=True)
class RoomSettings:
    """How far the way into material is followed."""

    most_mm: float = 6.0  # a casting is not ground deeper than that; more room is given as this much
    step_limit: int = 60  # steps of half the gap and more: 1e-7 is reached after 30, grazing ways stop short of it
    tolerance_mm: float = 1e-7  # of the gap that is left


@dataclass(frozen=True, eq=False)
class Room:
    """Room of each sample of a region (k,).

    lines : ``wall_mm`` is the room: the largest cut back along the inward normal, negative where a wall is too
        thin already, by so much; their far ends lie on the wall that holds it, ``is_wall`` where one does
    wall : (k,) number of that wall
    """

    lines: Lines
    wall: Ints


@dataclass(frozen=True, eq=False)
class Kept:
    """A wall that must stay: the skin on its other side, and how thick at least.

    is_behind : (k,) samples of the region from which nominal's nearest line to it runs through material
    """

    skin: Skin
    least_mm: float
    is_behind: Bools


def room_behind(near: Skin, walls: Sequence[Kept], settings: RoomSettings | None = None) -> Room:
    """Room of every sample of ``near``, which may be cut back into material; the least over all walls.

    near and the skins : all of nominal, or all of the piece

    A distance changes by no more than the way gone.  So a step as long as what is left above the least
    wall never passes the place where the wall is just kept; steps go on until nothing is left.
    Places from which a wall is reached through air alone, and that lie nearer than its least, have it not
    behind them.  Room beyond ``most_mm`` is given as that.
    """
    settings = settings or RoomSettings()
    each = [_room_to(near, kept, settings) for kept in walls]
    wall = np.argmin([one.wall_mm for one in each], axis=0)

    def chosen(field: str) -> Any:
        return np.stack([getattr(one, field) for one in each])[wall, np.arange(len(wall))]

    return Room(Lines(**{field.name: chosen(field.name) for field in fields(Lines)}), wall)


def _room_to(near: Skin, kept: Kept, settings: RoomSettings) -> Lines:
    """Room to one wall."""
    start, skin, least_mm = near.placed_mm, kept.skin, kept.least_mm
    rows = near.within(skin, settings.most_mm + max(least_mm, 0.0))
    nearest = np.zeros(len(start), dtype=np.int64)
    beyond = np.setdiff1d(np.arange(len(start)), rows)  # of all reach: there a sample is enough
    _, nearest[beyond] = skin.nearest_corner(start[beyond])
    room, point, corner = np.full(len(start), np.inf), skin.placed_mm[nearest], np.tile(nearest[:, None], 3)
    share = np.tile([1.0, 0.0, 0.0], (len(start), 1))
    seen, is_gap = skin.is_seen[nearest], skin.is_gap[nearest]
    found = skin.nearest(start[rows])
    room[rows], point[rows] = found.wall_mm - least_mm, found.point_mm
    corner[rows], share[rows] = found.corner, found.share
    seen[rows], is_gap[rows] = is_seen_at(skin, found)
    rows = np.flatnonzero((room > settings.tolerance_mm) & (room < settings.most_mm))
    for _ in range(settings.step_limit):
        if not len(rows):
            break
        found = skin.nearest(start[rows] - room[rows, None] * near.normals[rows])
        left = np.abs(found.wall_mm) - least_mm
        room[rows] += np.maximum(left, 0.0)
        corner[rows], share[rows], point[rows] = found.corner, found.share, found.point_mm
        seen[rows], is_gap[rows] = is_seen_at(skin, found)
        rows = rows[(left > settings.tolerance_mm) & (room[rows] < settings.most_mm)]
    room = np.where(kept.is_behind | (room > 0), np.minimum(room, settings.most_mm), settings.most_mm)
    return Lines(
        row=near.rows,
        start_mm=start,
        far_mm=point,
        wall_mm=room,
        far_corner=skin.rows[corner],
        far_share=share,
        is_wall=room < settings.most_mm,
        near_seen=near.is_seen,
        far_seen=seen,
        is_gap=near.is_gap | is_gap,
        drawn_mm=room,
    )

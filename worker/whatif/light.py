"""A wall between two skins after a move, without judging it: the calmed piece's near places, moved, to its far skin.

The line itself fits its least from the samples as measured and takes U off; how far the two depart from each other is
looked at where both are known, and taken into account by whoever claims that no move does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from worker.judging.measured import Measured
from worker.judging.nominal_walls import skin_of_region
from worker.judging.piece_walls import skin_of_piece
from worker.records import Bools, Floats, Ints
from worker.rigid import RigidTransform
from worker.walls.skins import Skin
from worker.whatif.parts import Part

STRAIGHT = 0.5  # cosine: lines across the wall within 60 degrees of both normals stay in material while skins move
ROUNDS = 2  # of cutting near triangles in four: a sample's 1 mm becomes 0.25, its bulge over a 10 mm radius 0.001
STAYS = -1  # number of the part that what does not move goes with


@dataclass(frozen=True, eq=False)
class PartMotion:
    """How one part goes: rigidly, and its skin outward."""

    rigid: RigidTransform
    offset_mm: float


STILL = PartMotion(RigidTransform.identity(), 0.0)


@dataclass(frozen=True, eq=False)
class _Sheet:
    """Near places (k, 3) with outward normals that go with one part, and a far skin that goes with one.

    near, far : numbers of the parts, ``STAYS`` for none
    """

    points_mm: Floats
    normals: Floats
    near: int
    skin: Skin
    far: int

    def walls(self, rows: Sequence[Ints], motions: Sequence[Sequence[PartMotion]]) -> list[Floats]:
        """Walls from some rows after each of several moves; below nothing where the skins have passed each other."""
        near, far = ([_part(all_parts, which) for all_parts in motions] for which in (self.near, self.far))
        relative = [_back(one, other) for one, other in zip(near, far, strict=True)]
        at = np.repeat(np.arange(len(rows)), [len(own) for own in rows])
        row = np.concatenate(rows)
        turn = np.stack([motion.rotation for motion in relative])[at]
        shift = np.stack([motion.translation_mm for motion in relative])[at]
        out = np.array([one.offset_mm for one in near])[at]
        normals = np.einsum("nij,nj->ni", turn, self.normals[row])
        points = np.einsum("nij,nj->ni", turn, self.points_mm[row]) + shift + out[:, None] * normals
        foot = self.skin.nearest(points)
        has_passed = np.einsum("ij,ij->i", foot.point_mm - points, normals) > 0
        wall = np.where(has_passed, -1.0, 1.0) * np.abs(foot.wall_mm) + np.array([one.offset_mm for one in far])[at]
        return np.split(wall, np.cumsum([len(own) for own in rows])[:-1])


@dataclass(frozen=True, eq=False)
class LightWall:
    """The least wall between two regions of the piece as a function of how parts go."""

    sheets: tuple[_Sheet, ...]

    @classmethod
    def of(cls, names: tuple[str, str], measured: Measured, parts: Sequence[Part], most_mm: float) -> LightWall | None:
        """Make ready; None where no line runs straight through material.

        names : of the two regions;  most_mm : no place of either goes farther
        """
        near, far = (_calm(name, measured) for name in names)
        if near is None or far is None:
            return None
        sheets = []
        for far_part, is_far in _shares(far.rows[far.triangles].T, parts):
            own_far = replace(far, triangles=far.triangles[is_far])
            for near_part, is_near in _shares(near.rows[near.triangles].T, parts):
                sheets.append(_sheet(near, near.triangles[is_near], near_part, own_far, far_part, most_mm))
        kept = [sheet for sheet in sheets if sheet is not None]
        return cls(tuple(kept)) if kept else None

    def every_row(self) -> tuple[Ints, ...]:
        """All rows of each sheet."""
        return tuple(np.arange(len(sheet.points_mm)) for sheet in self.sheets)

    def least(
        self, motions: Sequence[Sequence[PartMotion]], rows: Sequence[tuple[Ints, ...]], reach_mm: Floats
    ) -> tuple[Floats, list[tuple[Ints, ...]]]:
        """Least wall (n,) after each of n moves, and the rows that can hold it within ``reach_mm`` (n,) of each.

        rows : of each move those that can hold it there, by sheet
        """
        found = [
            sheet.walls([own[number] for own in rows], motions) if any(len(own[number]) for own in rows) else None
            for number, sheet in enumerate(self.sheets)
        ]
        least = np.full(len(motions), np.inf)
        for walls in found:
            if walls is not None:
                least = np.minimum(least, [own.min(initial=np.inf) for own in walls])
        kept = [
            tuple(
                own[number][walls[move] <= least[move] + 2 * reach_mm[move]] if walls is not None else own[number]
                for number, walls in enumerate(found)
            )
            for move, own in enumerate(rows)
        ]
        return least, kept


def _part(motions: Sequence[PartMotion], number: int) -> PartMotion:
    return STILL if number == STAYS else motions[number]


def _back(near: PartMotion, far: PartMotion) -> RigidTransform:
    """How the near skin goes as seen from the far one."""
    return far.rigid.inverse() @ near.rigid


def _calm(name: str, measured: Measured) -> Skin | None:
    """The piece's surface of a region by its averaged deviation; None if it is too small."""
    own = skin_of_region(name, measured)
    if isinstance(own, str):
        return None
    placed = skin_of_piece(name, own, measured)
    return replace(placed, off_mm=placed.calm_mm)


def _shares(corners: Ints, parts: Sequence[Part]) -> list[tuple[int, Bools]]:
    """The number of each part and which triangles go with it, then those that stay; corners : (3, t) samples."""
    left, found = np.ones(corners.shape[1], dtype=bool), []
    for number, part in enumerate(parts):
        if part.is_body:
            continue
        going = part.is_sample[corners].all(axis=0) & left
        left &= ~going
        found.append((number, going))
    return [(number, own) for number, own in (*found, (STAYS, left)) if own.any()]


def _sheet(  # noqa: PLR0913, PLR0917 - two skins and what each goes with
    near: Skin, triangles: Ints, near_part: int, far: Skin, far_part: int, most_mm: float
) -> _Sheet | None:
    """Near triangles that may come to hold the least wall, cut finer; None where none runs through material."""
    span = near.points_mm[triangles]
    step = float(np.linalg.norm(span - np.roll(span, 1, axis=1), axis=2).max())
    used = np.unique(triangles)
    wall = np.full(len(near.rows), np.inf)
    wall[used] = np.where(*_straight(near.placed_mm[used], near.normals[used], far), np.inf)
    least = float(wall.min())
    if not np.isfinite(least):
        return None
    may = (wall[triangles] <= least + 2 * most_mm + step).any(axis=1)
    points, normals = _finer(near.placed_mm, near.normals, triangles[may])
    is_straight, wall = _straight(points, normals, far)
    kept = is_straight & (wall <= wall[is_straight].min(initial=np.inf) + 2 * most_mm)
    return _Sheet(points[kept], normals[kept], near_part, far, far_part) if kept.any() else None


def _straight(points_mm: Floats, normals: Floats, far: Skin) -> tuple[Bools, Floats]:
    """Which lines (k,) from places to the nearest of the far skin run straight through material, and their length."""
    foot = far.nearest(points_mm)
    way = foot.point_mm - points_mm
    length = np.maximum(np.linalg.norm(way, axis=1), 1e-12)
    leaving = -np.einsum("ij,ij->i", way, normals) / length
    arriving = np.einsum("ij,ij->i", way, foot.normal) / length
    return (leaving > STRAIGHT) & (arriving > STRAIGHT), foot.wall_mm


def _finer(points_mm: Floats, normals: Floats, triangles: Ints) -> tuple[Floats, Floats]:
    """Places and normals with triangles cut in four, new places on the arc that the normals at both ends tell."""
    for _ in range(ROUNDS):
        sides = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        edges, number = np.unique(sides, axis=0, return_inverse=True)
        middle = len(points_mm) + number.reshape(-1, 3)
        (a, b), (m, n) = points_mm[edges].transpose(1, 0, 2), normals[edges].transpose(1, 0, 2)
        mean = m + n
        mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-12)
        bulge = np.einsum("ij,ij->i", n - m, b - a) / 8  # of an arc of radius r over a chord c: c^2 / 8 r
        points_mm = np.concatenate([points_mm, (a + b) / 2 + bulge[:, None] * mean])
        normals = np.concatenate([normals, mean])
        one, two, three = triangles.T
        p, q, r = middle.T
        triangles = np.concatenate(
            [np.stack(part, axis=1) for part in ((one, p, r), (p, two, q), (r, q, three), (p, q, r))]
        )
    used = np.unique(triangles)
    return points_mm[used], normals[used]

"""A wall between two skins after a move, without judging it: the calmed piece's near places, moved, to its far skin.

The line itself fits its least from the samples as measured and takes U off; how far the two depart from each other is
looked at where both are known, and taken into account by whoever claims that no move does.

What was asked is kept: pairs of places bound the least wall of other moves from above, and from below each row's wall
by how far it went since, so that few rows need the kernel again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from worker.judging.measured import Measured
from worker.judging.nominal_walls import skin_of_region
from worker.judging.piece_walls import skin_of_piece
from worker.records import Bools, Floats, Ints
from worker.walls.skins import Skin
from worker.whatif.pairs import STILL, Pairs, PartMotion, Relative
from worker.whatif.parts import Part

STRAIGHT = 0.5  # cosine: lines across the wall within 60 degrees of both normals stay in material while skins move
ROUNDS = 2  # of cutting near triangles in four: a sample's 1 mm becomes 0.25, its bulge over a 10 mm radius 0.001
STAYS = -1  # number of the part that what does not move goes with
ROUGH_MM = 0.01  # by which a wall changes more than its place went: a calmed deviation's slope is not followed exactly
KEPT_ASKED = 6  # answers whose rows bound those of other moves, beside that of no move
FIRST_CELL_MM, CELL_MM = 4.0, 1.0  # one pair each is enough: of no move, and near the least of any other
MOST_PAIRS = 24  # learnt from one answer


@dataclass(frozen=True, eq=False)
class _Answer:
    """Where a move put rows (k, 3), and what the wall of none is less than (k,), the far skin's offset left out."""

    points_mm: Floats
    wall_mm: Floats


@dataclass(eq=False)
class _Sheet:
    """Near places (k, 3) with outward normals that go with one part, and a far skin that goes with one.

    near, far : numbers of the parts, ``STAYS`` for none
    pairs, answers : what was learnt
    """

    points_mm: Floats
    normals: Floats
    near: int
    skin: Skin
    far: int
    pairs: Pairs = field(default_factory=Pairs.none)
    answers: list[_Answer] = field(default_factory=list)

    def relative(self, motions: Sequence[PartMotion]) -> Relative:
        """How the near places go as seen from the far skin."""
        near, far = (STILL if which == STAYS else motions[which] for which in (self.near, self.far))
        return Relative.of(near, far)

    def least(self, motions: Sequence[PartMotion], below_mm: float) -> float:
        """The least wall after a move if it is below a level; below nothing where the skins have passed each other."""
        move = self.relative(motions)
        points = move.points(self.points_mm, self.normals)
        floor, rows = np.full(len(points), -np.inf), np.arange(len(points))
        below_mm = min(below_mm, self.pairs.most([move])) + ROUGH_MM - move.far_offset_mm
        for answer in self.answers:
            way = points[rows] - answer.points_mm[rows]
            went = np.sqrt(np.einsum("ij,ij->i", way, way))
            floor[rows] = np.maximum(floor[rows], answer.wall_mm[rows] - went)
            rows = rows[floor[rows] <= below_mm]
        if not len(rows):
            return np.inf
        normals = move.normals(self.normals[rows])
        foot = self.skin.nearest(points[rows])
        has_passed = np.einsum("ij,ij->i", foot.point_mm - points[rows], normals) > 0
        wall = np.where(has_passed, -1.0, 1.0) * np.abs(foot.wall_mm)
        # Past the skin the way to it leads back: nothing is known there but that no place goes farther than it went.
        feet = np.where(has_passed[:, None], points[rows], foot.point_mm)
        rest = wall - np.linalg.norm(points[rows] - feet, axis=1)
        cell, most = (CELL_MM, MOST_PAIRS) if self.answers else (FIRST_CELL_MM, None)
        chosen = _spread(points[rows], wall, cell, most)
        own = rows[chosen]
        self.pairs = self.pairs.and_also(Pairs(self.points_mm[own], self.normals[own], feet[chosen], rest[chosen]))
        floor[rows] = wall
        self.answers = [*self.answers[:1], *self.answers[1:][-KEPT_ASKED:], _Answer(points, floor)]
        return float(wall.min()) + move.far_offset_mm


@dataclass(eq=False)
class LightWall:
    """The least wall between two regions of the piece as a function of how parts go.

    over_mm : the most that a wall asked for lay above what pairs asked for before had bounded it by
    """

    sheets: tuple[_Sheet, ...]
    over_mm: float = field(default=0.0, init=False)
    _found: dict[bytes, float] = field(default_factory=dict, init=False, repr=False)

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
        if not kept:
            return None
        found = cls(tuple(kept))
        found.least([STILL] * len(parts))
        return found

    def least(self, motions: Sequence[PartMotion]) -> float:
        """Least wall after a move."""
        key = b"".join(
            np.r_[one.rigid.rotation.ravel(), one.rigid.translation_mm, one.offset_mm].tobytes() for one in motions
        )
        if key not in self._found:
            bound, level = self.most([motions]), np.inf
            for sheet in self.sheets:
                level = min(level, sheet.least(motions, min(level, bound + ROUGH_MM)))
            if np.isinf(level):  # no row can lie below what pairs show
                level = bound
            self.over_mm = max(self.over_mm, level - bound)
            self._found[key] = level
        return self._found[key]

    def most(self, corners: Sequence[Sequence[PartMotion]]) -> float:
        """What the least wall passes at none of some moves, nor between them where nothing turns."""
        return min(sheet.pairs.most([sheet.relative(motions) for motions in corners]) for sheet in self.sheets)


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


def _spread(points_mm: Floats, wall_mm: Floats, cell_mm: float, most: int | None = None) -> Ints:
    """Numbers of the places with the least walls, one of each cell of a grid."""
    order = np.argsort(wall_mm, kind="stable")
    _, first = np.unique(np.floor(points_mm[order] / cell_mm).astype(np.int64), axis=0, return_index=True)
    return order[np.sort(first)[:most]]

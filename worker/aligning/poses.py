"""Many poses at once: stacked rotations, shifts and scales, and their robust fit to the nominal.

All here works in centred frames: nominal coordinates about the middle of the nominal's box, scan coordinates
about the scan's mean.  ``place = scale * rotation @ point + shift``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from worker.aligning.target import Pairs, Target
from worker.records import Bools, Floats, Ints

CHUNK_PLACES = 400_000  # pose x point pairs worked on at once: about 100 MB
DAMPING = 1e-5  # of the diagonal: keeps free directions where they are
FACING_COSINE = 0.5  # a partner's surface may be turned by up to 60 degrees
LARGEST_TURN_RAD = 0.3  # of one step; the linear model is worthless beyond
LARGEST_GROWTH = 0.02  # of one step

Pairing = Callable[[Floats], Pairs]


@dataclass(frozen=True, eq=False)
class Poses:
    """b poses.  rotation : (b, 3, 3);  shift_mm : (b, 3);  scale : (b,)."""

    rotation: Floats
    shift_mm: Floats
    scale: Floats

    def __len__(self) -> int:
        return len(self.scale)

    def chosen(self, which: Ints | Bools) -> Poses:
        """Some of them, by index or mask."""
        return Poses(self.rotation[which], self.shift_mm[which], self.scale[which])

    def places(self, points_mm: Floats) -> Floats:
        """Where the points (n, 3) come to lie: (b, n, 3)."""
        placed: Floats = self.turned(points_mm) * self.scale[:, None, None] + self.shift_mm[:, None]
        return placed

    def turned(self, directions: Floats) -> Floats:
        """Directions (n, 3) after each rotation: (b, n, 3)."""
        turned: Floats = np.matmul(directions[None], self.rotation.transpose(0, 2, 1))
        return turned

    def taken_back(self, places_mm: Floats) -> Floats:
        """Scan coordinates (b, n, 3) of nominal places (n, 3)."""
        back: Floats = np.matmul((places_mm[None] - self.shift_mm[:, None]) / self.scale[:, None, None], self.rotation)
        return back

    def after(self, motions: Poses) -> Poses:
        """The one pose held here, followed by each of the motions of the nominal."""
        shift = np.einsum("bij,j->bi", motions.rotation, self.shift_mm[0]) + motions.shift_mm
        return Poses(motions.rotation @ self.rotation[0], shift, np.full(len(motions), self.scale[0]))


@dataclass(frozen=True, eq=False)
class Points:
    """Points to fit, with surface directions of either sign.  mm, normals : (n, 3)."""

    mm: Floats
    normals: Floats

    def __len__(self) -> int:
        return len(self.mm)

    def first(self, count: int) -> Points:
        """The first few; points are kept in random order."""
        return Points(self.mm[:count], self.normals[:count])


@dataclass(frozen=True, kw_only=True)
class FitSchedule:
    """Steps of a robust fit: one reach (mm) a step, beyond which a point has no say."""

    reaches_mm: tuple[float, ...]
    scale_sigma: float  # how far the piece's size may be off, one sigma; 0 holds it


def unmoved() -> Poses:
    """The one pose that leaves everything where it is."""
    return Poses(np.eye(3)[None], np.zeros((1, 3)), np.ones(1))


def stacked(*many: Poses) -> Poses:
    """All of several sets, in order."""
    return Poses(
        np.concatenate([poses.rotation for poses in many]),
        np.concatenate([poses.shift_mm for poses in many]),
        np.concatenate([poses.scale for poses in many]),
    )


def fitted(poses: Poses, points: Points, pairing: Pairing, schedule: FitSchedule) -> Poses:
    """Each pose after Gauss-Newton on the robust point-to-plane distance.

    Objective of a step: sum of w (normal . gap)^2, w being Tukey's biweight of the distance with the
    step's reach as its width, times how well the surfaces' directions agree; plus the prior on scale.
    """
    parts = []
    for part in _chunks(poses, len(points)):
        moved = part
        for reach_mm in schedule.reaches_mm:
            moved = _stepped(moved, points, pairing, (reach_mm, schedule.scale_sigma))
        parts.append(moved)
    return stacked(*parts) if parts else poses


def explained(poses: Poses, points: Points, pairing: Pairing, reach_mm: float) -> Floats:
    """How much of the points each pose explains, (b,) in 0..1: mean robust weight at ``reach_mm``."""
    parts = [
        _weights(part, points, pairing(part.places(points.mm)), reach_mm).mean(axis=1)
        for part in _chunks(poses, len(points))
    ]
    return np.concatenate(parts)


def quick_distances_mm(poses: Poses, points_mm: Floats, target: Target) -> Floats:
    """Distance (b, n) of each placed point from the surface, by the grid."""
    chunks = _chunks(poses, len(points_mm))
    return np.concatenate([target.quick_pairs(part.places(points_mm)).distance_mm for part in chunks])


def distinct(poses: Poses, target: Target, share: float) -> Ints:
    """Indices, in order, of the poses that lay the nominal's box elsewhere than all before them.

    share : of the diagonal; boxes with every corner nearer than that are the same
    """
    corners = poses.taken_back(target.corners_mm)
    kept: list[int] = []
    for index in range(len(poses)):
        apart = np.linalg.norm(corners[kept] - corners[index], axis=2).max(axis=1)
        if (apart > share * target.diagonal_mm).all():
            kept.append(index)
    return np.array(kept, dtype=np.int64)


def _chunks(poses: Poses, point_count: int) -> Iterator[Poses]:
    size = max(1, CHUNK_PLACES // max(point_count, 1))
    for start in range(0, len(poses), size):
        yield poses.chosen(np.arange(start, min(start + size, len(poses))))


def _weights(poses: Poses, points: Points, pairs: Pairs, reach_mm: float) -> Floats:
    agreement = np.abs(np.einsum("bni,bni->bn", poses.turned(points.normals), pairs.normal))
    facing = np.clip((agreement - FACING_COSINE) / (1.0 - FACING_COSINE), 0.0, 1.0)
    closeness = np.maximum(1.0 - (pairs.distance_mm / reach_mm) ** 2, 0.0)
    weights: Floats = closeness * closeness * facing
    return weights


def _stepped(poses: Poses, points: Points, pairing: Pairing, reach_and_scale: tuple[float, float]) -> Poses:
    """One step of all poses.  Unknowns: turn x radius, shift, log scale x radius, about the weighted mean."""
    reach_mm, scale_sigma = reach_and_scale
    places = poses.places(points.mm)
    pairs = pairing(places)
    weight = _weights(poses, points, pairs, reach_mm)
    total = np.maximum(weight.sum(axis=1), 1e-9)
    pivot = np.einsum("bn,bni->bi", weight, places) / total[:, None]
    arm = places - pivot[:, None]
    radius = np.sqrt(np.einsum("bn,bni,bni->b", weight, arm, arm) / total) + 1e-9
    arm = arm / radius[:, None, None]
    growing = np.einsum("bni,bni->bn", arm, pairs.normal)[..., None]
    rows = np.concatenate([np.cross(arm, pairs.normal), pairs.normal, growing], axis=2)
    weighted = rows * weight[..., None]
    information = np.matmul(weighted.transpose(0, 2, 1), rows)
    pull = -np.matmul(weighted.transpose(0, 2, 1), pairs.along_mm[..., None])[..., 0]
    diagonal = np.arange(7)
    information[:, diagonal, diagonal] += DAMPING * total[:, None] + 1e-9
    if scale_sigma > 0.0:  # the prior weighs as all points would, were their scatter 3 % of the reach
        prior = total * (0.03 * reach_mm / (scale_sigma * radius)) ** 2
        information[:, 6, 6] += prior
        pull[:, 6] -= prior * np.log(poses.scale) * radius
    else:
        information[:, 6, :], information[:, :, 6], pull[:, 6] = 0.0, 0.0, 0.0
        information[:, 6, 6] = 1.0
    unknown = np.linalg.solve(information, pull[..., None])[..., 0]
    unknown[:, [0, 1, 2, 6]] /= radius[:, None]
    return _moved(poses, unknown, pivot, scale_sigma)


def _moved(poses: Poses, unknown: Floats, pivot: Floats, scale_sigma: float) -> Poses:
    """Turn (rad), shift (mm) and log growth (b, 7) applied about the pivots."""
    angle = np.linalg.norm(unknown[:, :3], axis=1, keepdims=True)
    limited = unknown[:, :3] * np.minimum(1.0, LARGEST_TURN_RAD / np.maximum(angle, 1e-12))
    turn = Rotation.from_rotvec(limited).as_matrix()
    scale = poses.scale * np.exp(np.clip(unknown[:, 6], -LARGEST_GROWTH, LARGEST_GROWTH))
    scale = np.clip(scale, np.exp(-3 * scale_sigma), np.exp(3 * scale_sigma)) if scale_sigma > 0.0 else poses.scale
    growth = (scale / poses.scale)[:, None]
    shift = np.einsum("bij,bj->bi", turn, poses.shift_mm - pivot) * growth + pivot + unknown[:, 3:6]
    return Poses(np.matmul(turn, poses.rotation), shift, scale)

"""From a pool of possible poses to a few, each fitted as well as it can be, the likeliest first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.aligning.clouds import fitted_planes
from worker.aligning.poses import FitSchedule, Points, Poses, distinct, explained, fitted, quick_distances_mm
from worker.aligning.target import Target
from worker.records import Floats

FLATTER_SHARE = 0.25  # of the places are taken for flat; curvature and edges widen the others


@dataclass(frozen=True, kw_only=True)
class RivalSettings:
    """Reaches and shares are of the diagonal."""

    unexplained_share: float = 0.006  # beyond: not on the surface; shrink of 1 % and warp, once scale is fitted
    neighbourhood_share: float = 0.08  # beyond: not near the part, so no pose of a near symmetry explains it
    unexplained_count: int = 1500  # points that the best guess leaves unexplained: they tell rivals apart
    explained_count: int = 1200  # the rest, to keep each pose on the part
    score_reach: float = 0.012
    spacing: float = 0.015  # nearer poses fall into one when fitted
    same: float = 0.006  # after fitting: the same pose
    kept: int = 24  # eight clockings, their flips, and room
    quick_reaches: tuple[float, ...] = (0.02, 0.015, 0.015, 0.01, 0.01, 0.01)
    exact_reaches: tuple[float, ...] = (0.008, 0.006, 0.005, 0.004)
    exact_count: int = 1000  # points of the exact steps: turns of 0.1 degrees
    settling_reaches: tuple[float, ...] = (0.008, 0.006, 0.005, 0.004, 0.003, 0.003, 0.003)
    settling_looked: int = 20_000  # points among which those are sought that hold the loosest motion
    settling_count: int = 1200  # of them, and as many others


@dataclass(frozen=True, eq=False)
class Panel:
    """Scan points by which poses are ranked and fitted, those the first pose leaves unexplained in the majority.

    weight : (n,) how many evidence points each stands for
    scatter_mm : of the scan about its own surface, where that is flat: noise and roughness
    """

    points: Points
    weight: Floats
    scatter_mm: float

    def score(self, poses: Poses, target: Target, reach_mm: float) -> Floats:
        """Evidence explained by each pose (b,), in points."""
        gaps = quick_distances_mm(poses, self.points.mm, target)
        closeness = np.maximum(1.0 - (gaps / reach_mm) ** 2, 0.0)
        score: Floats = np.einsum("bn,n->b", closeness * closeness, self.weight)
        return score


def panel_of(evidence_mm: Floats, best: Poses, target: Target, settings: RivalSettings) -> Panel:
    """Choose the points.

    evidence_mm : (n, 3) centred scan frame, in random order;  best : the one likeliest pose
    """
    gaps = quick_distances_mm(best, evidence_mm, target)[0]
    is_off = gaps > settings.unexplained_share * target.diagonal_mm
    off = np.flatnonzero(is_off & (gaps < settings.neighbourhood_share * target.diagonal_mm))
    on = np.flatnonzero(~is_off)
    few_off, few_on = off[: settings.unexplained_count], on[: settings.explained_count]
    weight = np.concatenate(
        [np.full(len(few), len(all_) / max(len(few), 1)) for few, all_ in ((few_off, off), (few_on, on))]
    )
    chosen = np.random.default_rng(0).permutation(len(weight))  # so that the first few are of both kinds
    index = np.concatenate([few_off, few_on])[chosen]
    planes = fitted_planes(evidence_mm, evidence_mm[index])
    scatter_mm = float(np.quantile(planes.scatter_mm, FLATTER_SHARE))
    return Panel(Points(evidence_mm[index], planes.normals), weight[chosen], scatter_mm)


def shortlisted(pool: Poses, panel: Panel, target: Target, scale_sigma: float, settings: RivalSettings) -> Poses:
    """The best few of the pool, distinct, fitted by grid and then exactly, the likeliest first."""
    size, reach_mm = target.diagonal_mm, settings.score_reach * target.diagonal_mm
    order = np.argsort(-panel.score(pool, target, reach_mm), kind="stable")
    pool = pool.chosen(order)
    poses = pool.chosen(distinct(pool, target, settings.spacing)[: settings.kept])
    for reaches, pairing, points in (
        (settings.quick_reaches, target.quick_pairs, panel.points),
        (settings.exact_reaches, target.exact_pairs, panel.points.first(settings.exact_count)),
    ):
        schedule = FitSchedule(reaches_mm=tuple(size * reach for reach in reaches), scale_sigma=scale_sigma)
        poses = fitted(poses, points, pairing, schedule)
        order = np.argsort(-panel.score(poses, target, reach_mm), kind="stable")
        poses = poses.chosen(order)
        poses = poses.chosen(distinct(poses, target, settings.same))
    return poses


def settled(pose: Poses, evidence_mm: Floats, target: Target, scale_sigma: float, settings: RivalSettings) -> Poses:
    """The one pose fitted exactly to points half of which are those that hold its loosest motion.

    A shaft's keyway is one point in a hundred, and all that holds its turn; among points taken at random the
    rest of the shaft has its say in noise (after Gelfand et al., Geometrically stable sampling, 3DIM 2003).
    """
    size = target.diagonal_mm
    looked_mm = evidence_mm[: settings.settling_looked]
    pairs = target.quick_pairs(pose.places(looked_mm))
    is_near = pairs.distance_mm[0] < settings.settling_reaches[0] * size
    arm, normal = pose.places(looked_mm)[0], pairs.normal[0]
    arm = (arm - arm[is_near].mean(axis=0)) / (0.5 * size) if is_near.any() else arm
    rows = np.concatenate([np.cross(arm, normal), normal], axis=1) * is_near[:, None]
    _, motions = np.linalg.eigh(np.einsum("ni,nj->ij", rows, rows))
    hold = np.abs(np.einsum("ni,i->n", rows, motions[:, 0]))
    holding = np.argsort(-hold, kind="stable")[: settings.settling_count]
    chosen = np.concatenate([holding, np.arange(min(settings.settling_count, len(looked_mm)))])
    points = Points(looked_mm[chosen], fitted_planes(evidence_mm, looked_mm[chosen]).normals)
    reaches = tuple(size * reach for reach in settings.settling_reaches)
    return fitted(pose, points, target.exact_pairs, FitSchedule(reaches_mm=reaches, scale_sigma=scale_sigma))


def searched_best(poses: Poses, points: Points, target: Target, *, reach_mm: float, count: int) -> Poses:
    """The distinct poses that explain most of the searched points, at most ``count``, the best first."""
    score = explained(poses, points, target.quick_pairs, reach_mm)
    order = np.argsort(-score, kind="stable")
    order = order[score[order] > 0.7 * score[order[0]]]
    poses = poses.chosen(order)
    return poses.chosen(distinct(poses, target, 0.02)[:count])

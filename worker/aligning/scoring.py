"""Which of two poses is right, judged only where they disagree.

Over most of a nearly symmetric part every rival fits alike, and a share of the whole says nothing: a
pin hole is one part in two hundred of a flange.  So two poses are compared by the scan points that
lie on the surface under one of them and clearly off it under the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.aligning.poses import Poses
from worker.aligning.target import Target
from worker.records import Floats, Ints

NORMAL_MEDIAN = 0.6745  # median of |x| for a standard normal


@dataclass(frozen=True, kw_only=True)
class ScoringSettings:
    """When points speak for a pose, and how many make a case."""

    near_sigmas: float = 4.0  # explained: inside the scatter of the piece about its best pose
    least_near_share: float = 0.0008  # of the diagonal: float32 scans and chords, where the scan itself has no noise
    far_over_near: float = 2.5  # contradicted: beyond any doubt about the scatter
    least_count: int = 12  # stray points in so small a region are rarer
    least_ratio: float = 4.0  # points for one pose over points for the other
    exact_limit: int = 2000  # suspects measured exactly


@dataclass(frozen=True)
class Comparison:
    """What the places where two poses differ say.

    first_count, second_count : scan points that only the first, or only the second, explains
    first_p90_mm, second_p90_mm : distance to nominal over the differing places
    """

    first_count: float
    second_count: float
    first_p90_mm: float
    second_p90_mm: float


@dataclass(frozen=True, eq=False)
class Contest:
    """Outcome of comparing all poses.

    winner : index;  undecided : the poses that the evidence does not tell from the winner
    comparisons : winner against each undecided one, same order
    """

    winner: int
    undecided: Ints
    comparisons: tuple[Comparison, ...]


@dataclass(frozen=True, eq=False)
class Court:
    """Evidence and measure for comparing poses.

    evidence_mm : (n, 3) scan points near the part, centred scan frame, in random order
    near_mm, far_mm : explained within the one, contradicted beyond the other
    """

    target: Target
    evidence_mm: Floats
    near_mm: float
    far_mm: float
    settings: ScoringSettings

    def contest(self, poses: Poses, quick_mm: Floats) -> Contest:
        """Let each pose in turn challenge the best so far, then the winner face all again.

        poses : the likeliest first; among undecided ones the earlier stays
        quick_mm : (b, n) their quick distances at the evidence
        """
        faced: dict[tuple[int, int], Comparison] = {}
        winner = 0
        for challenger in range(1, len(poses)):
            faced[winner, challenger] = self.compared(poses, quick_mm, (winner, challenger))
            if self.verdict(faced[winner, challenger]) < 0:
                winner = challenger
        undecided, comparisons = [], []
        for rival in range(len(poses)):
            if rival == winner:
                continue
            pair = (winner, rival)
            comparison = faced[pair] if pair in faced else self.compared(poses, quick_mm, pair)
            if self.verdict(comparison) <= 0:
                undecided.append(rival)
                comparisons.append(comparison)
        return Contest(winner, np.array(undecided, dtype=np.int64), tuple(comparisons))

    def compared(self, poses: Poses, quick_mm: Floats, pair: tuple[int, int]) -> Comparison:
        """Compare two of the poses, exactly at every place where the quick distances let it seem worth while."""
        quick = quick_mm[list(pair)]
        is_suspect = (np.abs(quick[0] - quick[1]) > self.near_mm) & (quick.min(axis=0) < 2 * self.far_mm)
        suspects = np.flatnonzero(is_suspect)
        taken = suspects[: self.settings.exact_limit]
        weight = len(suspects) / max(len(taken), 1)
        places = poses.chosen(np.array(pair)).places(self.evidence_mm[taken])
        first, second = (self.target.exact_distance_mm(place) for place in places)
        differs = (np.abs(first - second) > self.near_mm) & (np.minimum(first, second) < self.far_mm)
        p90 = [float(np.quantile(gaps[differs], 0.9)) if differs.any() else 0.0 for gaps in (first, second)]
        return Comparison(self._only(first, second) * weight, self._only(second, first) * weight, p90[0], p90[1])

    def _only(self, own_mm: Floats, other_mm: Floats) -> float:
        return float(np.count_nonzero((own_mm < self.near_mm) & (other_mm > self.far_mm)))

    def verdict(self, comparison: Comparison) -> int:
        """1 if the first pose is right, -1 if the second, 0 if the evidence does not decide."""
        counts = (comparison.first_count, comparison.second_count)
        if max(counts) < self.settings.least_count or max(counts) < self.settings.least_ratio * min(counts):
            return 0
        return 1 if counts[0] > counts[1] else -1


def spread_mm(distances_mm: Floats, reach_mm: float) -> float:
    """Robust standard deviation of the distances (n,) that lie within reach; the reach itself if none do."""
    inside = distances_mm[distances_mm < reach_mm]
    return float(np.median(inside)) / NORMAL_MEDIAN if len(inside) else reach_mm

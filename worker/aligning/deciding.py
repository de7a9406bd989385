"""Where two poses that the scan does not tell apart would show their difference, were it scanned there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from worker.aligning.poses import FitSchedule, Points, Poses, fitted
from worker.aligning.target import Target
from worker.records import Floats

PLACE_SHARE = 0.05  # of the diagonal: differing places nearer than that are shown as one
SEEN_SHARE = 0.008  # of the diagonal: a place with a scan point nearer than that was scanned
LOOKED_AT = 20_000  # samples: a 6 mm hole in a 120 mm flange holds a hundred
SETTLING_SAMPLES = 1500
SETTLING_REACHES = (0.01, 0.006, 0.004, 0.003)  # of the diagonal
FEWEST_SAMPLES = 4  # stray samples along edges differ by rounding, not by shape


@dataclass(frozen=True, eq=False)
class DecidingPlace:
    """A place of the nominal, centred frame: point_mm (3,) and the radius round it."""

    point_mm: Floats
    radius_mm: float


def deciding_place(target: Target, motion: Poses, evidence_tree: cKDTree, far_mm: float) -> DecidingPlace | None:
    """The largest differing place that was not scanned, else the largest; None where the nominal is the same in both.

    motion : one motion of the nominal, from the better pose to its rival
    evidence_tree : scan points as the better pose lays them, centred frame
    far_mm : shapes nearer than that are the same

    Features of the nominal under the better pose come first; then what the rival would have there.
    """
    samples = target.grid.points_mm[:: max(1, len(target.grid.points_mm) // LOOKED_AT)]
    back = _inverse(motion)
    own = samples[target.exact_distance_mm(motion.places(samples)[0]) > far_mm]
    moved = back.places(samples)[0]
    other = moved[target.exact_distance_mm(moved) > far_mm]
    own, other = (places if len(places) >= FEWEST_SAMPLES else places[:0] for places in (own, other))
    unseen = [_unscanned(places, evidence_tree, SEEN_SHARE * target.diagonal_mm) for places in (own, other)]
    for places in (*unseen, own, other):
        if len(places) >= FEWEST_SAMPLES:
            return _largest_cluster(places, PLACE_SHARE * target.diagonal_mm)
    return None


def self_motion(winner: Poses, rival: Poses, target: Target) -> Poses:
    """The motion of the nominal from one pose to another, settled on the nominal itself.

    Two fits to a noisy scan differ a little from the motion between them; unsettled, that
    would show as a difference in shape everywhere.
    """
    rotation = np.matmul(rival.rotation, winner.rotation.transpose(0, 2, 1))
    shift = rival.shift_mm - np.einsum("bij,bj->bi", rotation, winner.shift_mm)
    stride = max(1, len(target.grid.points_mm) // SETTLING_SAMPLES)
    samples = Points(target.grid.points_mm[::stride], target.grid.normals[::stride])
    reaches = tuple(share * target.diagonal_mm for share in SETTLING_REACHES)
    schedule = FitSchedule(reaches_mm=reaches, scale_sigma=0.0)
    return fitted(Poses(rotation, shift, np.ones(1)), samples, target.exact_pairs, schedule)


def _inverse(motion: Poses) -> Poses:
    rotation = motion.rotation.transpose(0, 2, 1)
    return Poses(rotation, -np.einsum("bij,bj->bi", rotation, motion.shift_mm), np.ones(len(motion)))


def _unscanned(places_mm: Floats, evidence_tree: cKDTree, reach_mm: float) -> Floats:
    if not len(places_mm):
        return places_mm
    gap, _ = evidence_tree.query(places_mm)
    unseen: Floats = places_mm[gap > reach_mm]
    return unseen


def _largest_cluster(places_mm: Floats, reach_mm: float) -> DecidingPlace:
    """The places round the one with most others in reach."""
    tree = cKDTree(places_mm)
    counts = tree.query_ball_point(places_mm, reach_mm, return_length=True)
    members = places_mm[tree.query_ball_point(places_mm[int(np.argmax(counts))], reach_mm)]
    centre = (members.min(axis=0) + members.max(axis=0)) / 2
    return DecidingPlace(centre, float(np.linalg.norm(members - centre, axis=1).max()))

"""Deciding between poses: what counts as evidence, and where to scan when there is none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from tests.support.parts import PIN_HOLE_MM, flange
from worker.aligning.clouds import nominal_cloud
from worker.aligning.deciding import deciding_place, self_motion
from worker.aligning.likeness import Likeness, LikenessSettings, difference_reason
from worker.aligning.poses import Poses, quick_distances_mm
from worker.aligning.scoring import Comparison, Court, ScoringSettings, spread_mm
from worker.aligning.target import Target, target_of
from worker.records import Floats


@pytest.fixture(scope="module")
def target() -> Target:
    return target_of(nominal_cloud(flange()), cell_count=700_000)


def clockings(*angles_deg: float) -> Poses:
    turns = Rotation.from_rotvec(np.array([[0, 0, np.radians(angle)] for angle in angles_deg]))
    return Poses(turns.as_matrix(), np.zeros((len(angles_deg), 3)), np.ones(len(angles_deg)))


def court_of(target: Target, evidence_mm: Floats) -> Court:
    return Court(target, evidence_mm, 0.1, 0.25, ScoringSettings())


def away_from_pins(places_mm: Floats, target: Target) -> Floats:
    """Places outside every circle about the axis on which a pin hole could be."""
    radius = np.hypot(*(places_mm + target.centre_mm)[:, :2].T)
    kept: Floats = places_mm[np.abs(radius - np.hypot(*PIN_HOLE_MM[:2])) > 4]
    return kept


@pytest.mark.parametrize("wrong_deg", [45.0, 90.0, 180.0, 270.0])
def test_the_pin_hole_decides_the_clocking_whichever_comes_first(target: Target, wrong_deg: float) -> None:
    evidence = target.grid.points_mm
    for angles in ((0.0, wrong_deg), (wrong_deg, 0.0)):
        poses = clockings(*angles)
        contest = court_of(target, evidence).contest(poses, quick_distances_mm(poses, evidence, target))
        assert angles[contest.winner] == 0.0
        assert len(contest.undecided) == 0


def test_without_the_pin_hole_nothing_is_decided(target: Target) -> None:
    evidence = away_from_pins(target.grid.points_mm, target)
    poses = clockings(0.0, 45.0, 90.0)
    contest = court_of(target, evidence).contest(poses, quick_distances_mm(poses, evidence, target))
    assert contest.undecided.tolist() == [1, 2]
    assert all(comparison.first_count == comparison.second_count == 0 for comparison in contest.comparisons)


def test_the_place_to_scan_is_the_pin_hole(target: Target) -> None:
    poses = clockings(0.0, 135.0)
    motion = self_motion(poses.chosen(np.array([0])), poses.chosen(np.array([1])), target)
    place = deciding_place(target, motion, cKDTree(away_from_pins(target.grid.points_mm, target)), 0.25)
    assert place is not None
    assert np.linalg.norm(place.point_mm + target.centre_mm - np.array(PIN_HOLE_MM)) < 1.0
    assert 3.0 < place.radius_mm < 9.0  # the hole has radius 3 and depth 12


def test_where_the_nominal_is_the_same_there_is_no_place_to_scan(target: Target) -> None:
    poses = clockings(0.0, 0.3)
    motion = self_motion(poses.chosen(np.array([0])), poses.chosen(np.array([1])), target)
    assert deciding_place(target, motion, cKDTree(target.grid.points_mm), 0.25) is None


@pytest.mark.parametrize(
    ("first", "second", "verdict"), [(100, 0, 1), (0, 100, -1), (100, 30, 0), (11, 0, 0), (12, 3, 1), (0, 0, 0)]
)
def test_a_verdict_needs_enough_points_and_a_clear_majority(
    target: Target, first: float, second: float, verdict: int
) -> None:
    court = court_of(target, target.grid.points_mm)
    assert court.verdict(Comparison(first, second, 0.0, 0.0)) == verdict


def test_spread_is_the_standard_deviation_of_what_lies_within_reach() -> None:
    noise = np.abs(np.random.default_rng(0).normal(0.0, 0.03, 20_000))
    assert spread_mm(np.concatenate([noise, np.full(5000, 9.0)]), 1.0) == pytest.approx(0.03, rel=0.03)
    assert spread_mm(np.array([5.0]), 1.0) == 1.0


@pytest.mark.parametrize(
    ("likeness", "words"),
    [
        (Likeness(0.95, 0.99, 0.0, 0.9), None),
        (Likeness(0.55, 0.94, 0.02, 0.4), None),
        (Likeness(0.95, 0.99, 0.0, 0.03), "3% of the nominal's surface"),
        (Likeness(0.20, 0.95, 0.0, 0.9), "only 20%"),
        (Likeness(0.60, 0.80, 0.0, 0.9), "20% of what comes near"),
        (Likeness(0.60, 0.95, 0.09, 0.9), "9% of the scan would lie deep inside"),
    ],
)
def test_each_sign_of_another_part_is_named(likeness: Likeness, words: str | None) -> None:
    reason = difference_reason(likeness, LikenessSettings())
    assert (reason is None) if words is None else (words in (reason or ""))

from __future__ import annotations

import numpy as np
import pytest

from shared.plan import DatumReference
from tests.support.datum_scenes import (
    BOX,
    HIGH_Z,
    LEAST_SQUARES,
    LOW_X,
    LOW_Y,
    LOW_Z,
    TANGENT,
    box_scan,
    frame_on,
    frame_result,
    moved,
    seen_of,
    still_pose,
)
from worker.datums.records import NoFrame
from worker.records import Floats
from worker.rigid import RigidTransform

BOTH = pytest.mark.parametrize("reference", [LEAST_SQUARES, TANGENT])
CORNERS = np.array([[x, y, z] for x in (0.0, 100.0) for y in (0.0, 80.0) for z in (0.0, 60.0)])
ABC = (LOW_Z, LOW_X, LOW_Y)
MOTION = RigidTransform.from_rotation_vector(np.array([0.002, -0.0015, 0.003]), np.array([0.2, -0.3, 0.15]))
SLOPE = 0.002  # of a corner that is not square
MIDDLE_MM = 1.0  # the middle of the points of a face lies this near its own
END_MM = 16.0  # a margin of two spacings and half a patch of 25 points keep a touching plane off the end


def _lean(points: Floats) -> Floats:
    """The face x = 0 turned about its own middle line y = 40."""
    return points + np.outer(SLOPE * (points[:, 1] - 40.0), [1.0, 0.0, 0.0])


PERFECT = seen_of(BOX, box_scan())
ASTRAY = seen_of(BOX, moved(box_scan(), MOTION))
LEANING = seen_of(BOX, box_scan({0: _lean}))


@BOTH
def test_a_perfect_piece_in_a_perfect_pose_stays_where_it_is(reference: DatumReference) -> None:
    found = frame_on(PERFECT, ABC, reference)
    assert np.abs(found.T_frame_pose.apply(CORNERS) - CORNERS).max() < 1e-9
    assert found.open_text == ()


@BOTH
def test_a_piece_in_a_wrong_pose_is_put_back_on_its_datums(reference: DatumReference) -> None:
    found = frame_on(ASTRAY, ABC, reference)
    assert np.abs(found.T_frame_pose.apply(MOTION.apply(CORNERS)) - CORNERS).max() < 1e-6


def test_a_secondary_before_the_tertiary_takes_the_turn() -> None:
    """Bottom first, then the leaning side x = 0, then y = 0.

    The side turns the piece by atan(slope); its middle (0, 40) comes to x = 0 and the middle of y = 0 to y = 0.
    """
    found = frame_on(LEANING, (LOW_Z, LOW_X, LOW_Y))
    angle = float(np.arctan(SLOPE))
    expected = RigidTransform.from_rotation_vector(np.array([0.0, 0.0, angle]), np.zeros(3))
    shift = -np.array([expected.apply(np.array([0.0, 40.0, 0.0]))[0], expected.apply(np.array([50.0, 0.0, 0.0]))[1], 0])
    truth = expected.apply(CORNERS) + shift
    assert np.abs(found.T_frame_pose.apply(CORNERS) - truth).max() < SLOPE * MIDDLE_MM


def test_with_the_order_changed_the_straight_side_takes_the_turn() -> None:
    found = frame_on(LEANING, (LOW_Z, LOW_Y, LOW_X))
    assert np.abs(found.T_frame_pose.apply(CORNERS) - CORNERS).max() < SLOPE * MIDDLE_MM


def test_a_leaning_tertiary_is_touched_at_its_high_end() -> None:
    """The side reaches slope * 40 = 0.08 beyond x = 0 at y = 0; a patch and the margin keep off its very end."""
    found = frame_on(LEANING, (LOW_Z, LOW_Y, LOW_X), TANGENT)
    assert found.T_frame_pose.angle_rad() < 1e-9
    assert found.T_frame_pose.translation_mm == pytest.approx([SLOPE * 40.0, 0.0, 0.0], abs=SLOPE * END_MM)


def test_a_primary_takes_tilt_that_a_tertiary_may_not() -> None:
    """The same leaning bottom as primary turns the piece, as tertiary only lifts it."""
    seen = seen_of(BOX, box_scan({4: lambda points: points + np.outer(SLOPE * (points[:, 0] - 50.0), [0, 0, 1.0])}))
    first = frame_on(seen, (LOW_Z, LOW_X, LOW_Y)).T_frame_pose
    last = frame_on(seen, (LOW_X, LOW_Y, LOW_Z)).T_frame_pose
    assert first.angle_rad() == pytest.approx(np.arctan(SLOPE), abs=1e-6)
    assert last.angle_rad() < 1e-9


@pytest.mark.parametrize(
    ("picks", "open_text"),
    [
        ((LOW_Z,), ("slides along x", "slides along y", "turns about z")),
        ((LOW_Z, LOW_X), ("slides along y",)),
        ((LOW_X, LOW_Y), ("slides along z",)),
    ],
)
def test_freedoms_no_datum_takes_are_said_and_left_to_the_pose(
    picks: tuple[str, ...], open_text: tuple[str, ...]
) -> None:
    found = frame_on(ASTRAY, picks)
    assert found.open_text == open_text


def test_what_is_left_open_is_as_sure_as_the_pose() -> None:
    found = frame_on(PERFECT, (LOW_Z,), pose=still_pose(0.05))
    spread = np.sqrt(np.diag(found.covariance_at(np.array([50.0, 40.0, 0.0]))))
    assert spread == pytest.approx([0.05, 0.05, 0.0], abs=1e-6)


def test_a_datum_parallel_to_one_before_adds_nothing_and_the_frame_says_so() -> None:
    found = frame_on(PERFECT, (LOW_Z, HIGH_Z, LOW_X))
    assert "B (plane-5, its least-squares plane) adds nothing" in found.description
    assert found.open_text == ("slides along y",)


def test_an_unseen_datum_gives_no_frame_and_its_letter() -> None:
    scan = box_scan()
    kept = scan.points_mm[:, 0] > 1e-6
    assert scan.normals is not None
    scan = type(scan)(scan.points_mm[kept], scan.normals[kept], None, "mm", 0.0)
    found = frame_result(seen_of(BOX, scan), ABC)
    assert isinstance(found, NoFrame)
    assert found.reason.startswith("datum B is not measured: only 0 scan points lie on plane-0")


def test_a_piece_longer_than_nominal_is_all_longer_at_the_end_away_from_its_datum() -> None:
    """0.4 % of 100 mm: 0.4 at the far side, nothing at the datum."""
    found = frame_on(seen_of(BOX, box_scan(size=1.004 * np.array([100.0, 80.0, 60.0]))), ABC)
    assert found.T_frame_pose.apply(np.array([100.4, 0.0, 0.0]))[0] == pytest.approx(100.4, abs=1e-6)

from __future__ import annotations

import numpy as np
import pytest

from tests.support.datum_scenes import BOX, LOW_X, LOW_Y, LOW_Z, box_scan, frame_on, moved, seen_of, shifted
from tests.support.feature_records import plane_of, together
from tests.support.shapes import block, perfect_alignment
from worker.datums.frames import best_fit_frame, pose_frame, region_frame
from worker.datums.records import MeasuringFrame, NoFrame
from worker.measuring.displacement import Displacement, region_displacement
from worker.measuring.seen import Seen
from worker.records import Region
from worker.rigid import RigidTransform

BAR_SIZE = np.array([300.0, 100.0, 60.0])
BAR = block((300.0, 100.0, 60.0))
PLATE_SIZE = np.array([100.0, 80.0, 10.0])
PLATE = block((100.0, 80.0, 10.0))
RAISED = seen_of(BOX, box_scan({5: shifted(0.0, 0.0, 0.5)}))
GROWN = seen_of(BAR, box_scan(size=1.004 * BAR_SIZE, step_mm=6.0))
PLATES = together(((PLATE, np.zeros(3)), (PLATE, np.array([150.0, 0.0, 0.0]))))


def _region(seen: Seen, *faces: int) -> Region:
    return Region("chosen", "faces", np.isin(seen.samples.face, faces))


def test_the_best_fit_halves_a_local_fault() -> None:
    """A face raised by 0.5 is shown 0.25 there and 0.25 on the sound face opposite."""
    found = best_fit_frame(RAISED)
    assert isinstance(found, MeasuringFrame)
    middle = np.array([50.0, 40.0, 30.0])
    assert found.T_frame_pose.apply(middle) - middle == pytest.approx([0.0, 0.0, -0.25], abs=0.005)


def test_the_robust_fit_shows_a_local_fault_whole() -> None:
    """Of two plates side by side one has its top raised by 0.5: the fit stays on the other three faces."""
    sound, raised = box_scan(size=PLATE_SIZE), box_scan({5: shifted(0.0, 0.0, 0.5)}, size=PLATE_SIZE)
    assert sound.normals is not None
    points = np.concatenate([raised.points_mm, sound.points_mm + np.array([150.0, 0.0, 0.0])])
    seen = seen_of(PLATES, type(sound)(points, np.tile(sound.normals, (2, 1)), None, "mm", 0.0))
    body = region_displacement(_region(seen, *range(12)), seen, shrink_removed=False)
    assert isinstance(body, Displacement)
    found = pose_frame(perfect_alignment(), body)
    assert np.abs(found.T_frame_pose.apply(body.centre_mm) - body.centre_mm).max() < 1e-3


def test_the_pose_without_cores_is_as_sure_as_the_alignment() -> None:
    found = pose_frame(perfect_alignment(sigma_mm=0.03), None)
    assert np.array_equal(found.T_frame_pose.matrix(), np.eye(4))
    assert np.sqrt(np.diag(found.covariance_at(np.array([10.0, 20.0, 30.0])))) == pytest.approx([0.03] * 3)


def test_shrink_is_shared_by_both_ends_in_a_best_fit() -> None:
    """0.4 % of 300 mm is 1.2: 0.6 beyond either end."""
    found = best_fit_frame(GROWN)
    assert isinstance(found, MeasuringFrame)
    ends = found.T_frame_pose.apply(np.array([[0.0, 50.2, 30.12], [301.2, 50.2, 30.12]]))[:, 0]
    assert ends == pytest.approx([-0.6, 300.6], abs=0.005)


def test_shrink_is_all_at_the_far_end_from_a_datum_at_one() -> None:
    planes = tuple(plane_of(BAR, face) for face in range(6))
    found = frame_on(GROWN, (LOW_Z, LOW_X, LOW_Y), features=planes)
    ends = found.T_frame_pose.apply(np.array([[0.0, 0.0, 0.0], [301.2, 0.0, 0.0]]))[:, 0]
    assert ends == pytest.approx([0.0, 301.2], abs=1e-6)


def test_regions_that_hold_the_piece_put_it_on_nominal() -> None:
    motion = RigidTransform.from_rotation_vector(np.array([0.001, -0.0015, 0.002]), np.array([0.2, -0.3, 0.15]))
    seen = seen_of(BOX, moved(box_scan({5: shifted(0.0, 0.0, 0.5)}), motion))
    found = region_frame((_region(seen, 0, 2, 4),), seen)
    assert isinstance(found, MeasuringFrame)
    corners = np.array([[0.0, 0.0, 0.0], [100.0, 80.0, 0.0]])
    assert found.T_frame_pose.apply(motion.apply(corners)) == pytest.approx(corners, abs=1e-3)


def test_regions_that_can_slide_are_refused_by_the_motions_left() -> None:
    found = region_frame((_region(RAISED, 4),), RAISED)
    assert isinstance(found, NoFrame)
    assert "slides along x" in found.reason
    assert "turns about z" in found.reason


def test_regions_nobody_scanned_give_no_frame() -> None:
    scan = box_scan()
    kept = scan.points_mm[:, 2] > 1e-6
    assert scan.normals is not None
    seen = seen_of(BOX, type(scan)(scan.points_mm[kept], scan.normals[kept], None, "mm", 0.0))
    found = region_frame((_region(seen, 4),), seen)
    assert isinstance(found, NoFrame)
    assert "only 0 places of chosen are measured" in found.reason

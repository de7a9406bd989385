"""Every frame told against the fit of the whole piece, whatever the plan's alignment is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shared.plan import Plan
from tests.support.shapes import block, deviation_of, perfect_alignment, scan_of
from worker.datums.frames import BEST_FIT, POSE
from worker.datums.records import MeasuringFrame, NoFrame
from worker.judging.frame_lines import frame_lines
from worker.judging.measured import Measured
from worker.records import AlignmentStatus
from worker.rigid import RigidTransform

PLAN = Plan(firstpour_plan="1")
SHIFT_MM = np.array([0.2, 0.0, 0.0])


@pytest.fixture(scope="module")
def measured() -> Measured:
    nominal = block((40.0, 30.0, 20.0))
    samples, deviation = deviation_of(nominal, scan_of(nominal, 6000, 1))
    return Measured(
        nominal=nominal,
        samples=samples,
        alignment=perfect_alignment(),
        deviation=deviation,
        thickness=None,
        regions=(),
        quantum_mm=0.0,
    )


def frame_moved(name: str) -> MeasuringFrame:
    return MeasuringFrame(
        name=name,
        T_frame_pose=RigidTransform(np.eye(3), SHIFT_MM),
        covariance=np.zeros((6, 6)),
        centre_mm=np.zeros(3),
        dof=10.0,
        description="moved",
    )


def test_fit_of_the_whole_piece_comes_first_and_is_the_reference(measured: Measured) -> None:
    first, best = frame_lines(PLAN, measured)
    assert (first.name, first.is_used, best.name, best.is_used) == (POSE, True, BEST_FIT, False)
    assert isinstance(first.found, MeasuringFrame)
    np.testing.assert_array_equal(first.found.T_frame_pose.matrix(), np.eye(4))


def test_best_fit_of_a_perfect_piece_is_where_the_fit_is(measured: Measured) -> None:
    best = frame_lines(PLAN, measured)[1].found
    assert isinstance(best, MeasuringFrame)
    np.testing.assert_allclose(best.T_frame_pose.matrix(), np.eye(4), atol=1e-6)


def test_frames_beside_the_chosen_one_still_start_from_the_fit(measured: Measured) -> None:
    chosen, best = frame_lines(PLAN, replace(measured, chosen=frame_moved("A-B")))
    assert (chosen.name, chosen.is_used) == ("A-B", True)
    assert isinstance(best.found, MeasuringFrame)  # found against the chosen frame, which lies off by the shift
    np.testing.assert_allclose(best.found.T_frame_pose.translation_mm, SHIFT_MM, atol=1e-6)


def test_chosen_frame_that_cannot_be_had_is_told(measured: Measured) -> None:
    (line,) = frame_lines(PLAN, replace(measured, chosen=NoFrame("datum A was not scanned")))
    assert isinstance(line.found, NoFrame)
    assert line.is_used


def test_without_a_pose_there_are_no_frames(measured: Measured) -> None:
    lost = replace(measured.alignment, status=AlignmentStatus.NOT_ALIGNED, reason="another part")
    assert frame_lines(PLAN, replace(measured, alignment=lost)) == ()

"""The pose where cores are known by name: it rests on what the mould made, if that holds the part."""

from __future__ import annotations

import numpy as np

from tests.support.alignments import HEAD_CENTRE_MM, error_mm, head_stand, nudged, oriented, scanned
from tests.support.parts import head_block
from tests.support.scanning import ScanRecipe
from worker.aligning.align import align
from worker.records import Alignment, Bools
from worker.rigid import RigidTransform

SHIFT_MM = (0.1, -0.15, 0.12)
ROUGH = ScanRecipe(noise_sigma_mm=0.08, point_count=40_000)  # so rough that the displaced core hides in it
LIMIT_MM = 0.005  # four standard deviations of the pose at this noise and count


def triangles_named(*names: str) -> Bools:
    """Triangles of the head whose face bears one of the names (m,)."""
    head = head_block()
    return np.array([face.name in names for face in head.faces])[head.triangle_face]


def head_with_displaced_jacket(left_out: Bools | None) -> tuple[Alignment, RigidTransform]:
    """The alignment of a rough casting whose jacket core sits off, and the true pose."""
    scan, true = scanned(head_block(SHIFT_MM, "jacket"), ROUGH, seed=1)
    head, start = head_stand(), oriented(nudged(true, np.random.default_rng(2)))
    found = align(head.nominal, head.samples, scan, surface=head.surface, orientation=start, left_out=left_out)
    return found, true


def test_named_core_does_not_move_the_pose_however_rough_the_casting() -> None:
    found, true = head_with_displaced_jacket(triangles_named("jacket"))
    assert not found.rests_on_all
    assert error_mm(found.T_nominal_scan, true, HEAD_CENTRE_MM) < LIMIT_MM


def test_unnamed_core_in_a_rough_casting_does_move_it() -> None:
    found, true = head_with_displaced_jacket(None)
    assert found.rests_on_all
    assert error_mm(found.T_nominal_scan, true, HEAD_CENTRE_MM) > LIMIT_MM


def test_cores_are_used_where_nothing_else_holds_the_part() -> None:
    found, _true = head_with_displaced_jacket(np.ones(len(head_block().triangles), dtype=np.bool_))
    assert found.rests_on_all
    assert found.T_nominal_scan is not None

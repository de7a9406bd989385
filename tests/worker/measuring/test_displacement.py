from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.shapes import Size, block, deviation_of, scan_of
from worker.measuring.displacement import Displacement, against, region_displacement
from worker.measuring.seen import NotMeasured, Seen
from worker.records import Floats, Nominal, Region, Scan
from worker.rigid import RigidTransform


def _two_blocks() -> Nominal:
    """Two blocks in one mesh: faces 0 to 5 the body, 6 to 11 the core beside it."""
    body, core = block((60.0, 40.0, 30.0)), block((20.0, 15.0, 12.0), (80.0, 10.0, 8.0))
    moved_faces = tuple(replace(face, index=face.index + 6) for face in core.faces)
    return Nominal(
        np.concatenate([body.vertices_mm, core.vertices_mm]),
        np.concatenate([body.triangles, core.triangles + len(body.vertices_mm)]),
        np.concatenate([body.triangle_face, core.triangle_face + 6]),
        body.faces + moved_faces,
        0.001,
        None,
        "mm",
        True,
    )


NOMINAL = _two_blocks()


def _scan(core_motion: RigidTransform, *, rough_mm: float = 0.0, seed: int = 1) -> Scan:
    """The pair with its core moved, rough with correlation over about 2 mm."""
    scan = scan_of(NOMINAL, 30_000, seed)
    is_core = scan.points_mm[:, 0] > 70.0
    rng = np.random.default_rng(seed)
    waves, phases = rng.normal(scale=0.5, size=(200, 3)), rng.uniform(0, 2 * np.pi, 200)
    height = rough_mm * np.sqrt(2 / 200) * np.cos(scan.points_mm @ waves.T + phases).sum(axis=1)
    if scan.normals is None:
        raise ValueError
    points = scan.points_mm + height[:, None] * scan.normals
    points[is_core] = core_motion.apply(points[is_core])
    return Scan(points, scan.normals, None, "mm", 0.0)


def _fit(scan: Scan, faces: range) -> Displacement:
    samples, deviation = deviation_of(NOMINAL, scan)
    region = Region("core", "faces", np.isin(samples.face, list(faces)))
    found = region_displacement(region, Seen(NOMINAL, samples, deviation), shrink_removed=False)
    assert isinstance(found, Displacement)
    return found


@pytest.mark.parametrize("shift", [(0.3, -0.2, 0.1), (0.0, 0.0, 0.6), (0.0, 0.0, 0.0)])
def test_a_displaced_core_reads_its_displacement(shift: Size) -> None:
    found = _fit(_scan(RigidTransform(np.eye(3), np.array(shift))), range(6, 12))
    assert np.abs(found.shift_mm - shift).max() < 1e-6
    assert found.free_text == ()


def test_a_turned_core_reads_its_turn() -> None:
    turn = np.array([0.002, -0.004, 0.01])
    motion = RigidTransform.about(turn, np.array([0.1, 0.2, 0.0]), np.array([90.0, 17.5, 14.0]))
    found = _fit(_scan(motion), range(6, 12))
    assert np.abs(found.rotation_rad - turn).max() < 1e-5
    assert np.abs(found.shift_mm - (motion.apply(found.centre_mm) - found.centre_mm)).max() < 1e-4


def test_what_the_pose_took_on_drops_out_against_the_rest() -> None:
    core = RigidTransform(np.eye(3), np.array([0.3, -0.2, 0.1]))
    pose_error = RigidTransform.from_rotation_vector(np.array([0.0, 0.0005, 0.0]), np.array([-0.05, 0.04, 0.03]))
    scan = _scan(core)
    off = Scan(pose_error.apply(scan.points_mm), scan.normals, None, "mm", 0.0)
    relative = against(_fit(off, range(6, 12)), _fit(off, range(6)))
    assert np.abs(relative.shift_mm - [0.3, -0.2, 0.1]).max() < 5e-4  # second order of the turn


def test_motions_the_shape_cannot_show_are_named_and_left_at_nothing() -> None:
    samples, deviation = deviation_of(NOMINAL, _scan(RigidTransform(np.eye(3), np.array([0.0, 0.0, 0.25]))))
    top = Region("top", "faces", samples.face == 11)
    found = region_displacement(top, Seen(NOMINAL, samples, deviation), shrink_removed=False)
    assert isinstance(found, Displacement)
    assert np.abs(found.shift_mm - [0.0, 0.0, 0.25]).max() < 1e-6
    assert sorted(text.split()[0] for text in found.free_text) == ["slides", "slides", "turns"]


def test_an_unseen_core_is_not_measured() -> None:
    scan = _scan(RigidTransform.identity())
    body = scan.points_mm[:, 0] < 70.0
    samples, deviation = deviation_of(NOMINAL, Scan(scan.points_mm[body], _rows(scan.normals, body), None, "mm", 0.0))
    region = Region("core", "faces", samples.face > 5)
    found = region_displacement(region, Seen(NOMINAL, samples, deviation), shrink_removed=False)
    assert isinstance(found, NotMeasured)
    assert "core" in found.reason


def test_stated_uncertainty_covers_roughness_that_is_alike_over_patches() -> None:
    """Six castings: errors over their stated standard uncertainty scatter by about one, not by tens."""
    truth = np.array([0.3, -0.2, 0.1])
    ratios: list[float] = []
    for seed in range(6):
        found = _fit(_scan(RigidTransform(np.eye(3), truth), rough_mm=0.06, seed=seed), range(6, 12))
        sigma = np.sqrt(np.diag(found.covariance)[3:])
        ratios += list((found.shift_mm - truth) / sigma)
    assert 0.4 < np.sqrt(np.mean(np.square(ratios))) < 1.4


def _rows(normals: Floats | None, kept: np.typing.NDArray[np.bool_]) -> Floats | None:
    return None if normals is None else normals[kept]

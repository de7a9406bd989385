from __future__ import annotations

import numpy as np
import pytest

from shared.errors import PlanInvalid
from tests.support.shapes import bored_block, deviation_of
from worker.measuring.holes import MeasuredHole, find_hole, fit_cylinder, measure_hole
from worker.measuring.seen import NotMeasured, Seen
from worker.records import Floats, Scan, Shrink
from worker.rigid import RigidTransform

BORE = bored_block((40.0, 30.0, 20.0), 6.0)
POSE = RigidTransform.from_rotation_vector(np.array([0.4, -0.7, 0.2]), np.array([1000.0, -200.0, 30.0]))


def _ring(radius_mm: float, heights: Floats, count: int = 8, *, wave_mm: float = 0.0) -> Floats:
    """Points of a cylinder with a twofold wave, which no cylinder parameter can follow."""
    grid = np.meshgrid(2 * np.pi * np.arange(count) / count, heights)
    turn, height = grid[0].ravel(), grid[1].ravel()
    radius = radius_mm + wave_mm * np.cos(2 * turn)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])


def _bore_scan(*, shift: tuple[float, float] = (0.0, 0.0), tilt: float = 0.0, arc_deg: float = 360.0) -> Scan:
    """The bore as scanned, its axis shifted in the middle and tilted about y."""
    rng = np.random.default_rng(5)
    turn = np.radians(rng.uniform(0, arc_deg, 8000))
    outward = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(8000)])
    height = rng.uniform(0.2, 19.8, 8000)
    points = 6.0 * outward + np.column_stack([shift[0] + tilt * (height - 10), np.full(8000, shift[1]), height])
    return Scan(points, -outward, None, "mm", 0.0)


def _measured(scan: Scan, shrink: Shrink | None = None, *, shrink_removed: bool = False) -> MeasuredHole | NotMeasured:
    samples, deviation = deviation_of(BORE, scan)
    hole = find_hole(BORE, face=6, point_mm=None, where="test")
    return measure_hole(hole, Seen(BORE, samples, deviation, shrink), shrink_removed=shrink_removed)


def test_cylinder_fit_meets_the_exact_answer_set() -> None:
    """Null-space data: residuals orthogonal to every column of the Jacobian leave the placed cylinder the answer.

    M. G. Cox, A. B. Forbes, Strategies for testing assessment software, NPL DITC 211/92 (method, from memory).
    An algebraic fit returns the radius sqrt(R^2 + a^2 / 2) = 4.00000625.
    """
    points = POSE.apply(_ring(4.0, np.array([-10.0, 0.0, 10.0]), wave_mm=0.01))
    tilted = POSE.turn(np.array([0.02, -0.03, 1.0]))
    found = fit_cylinder(points, tilted, POSE.apply(np.array([0.3, 0.1, 2.0])))
    assert found is not None
    assert found.radius_mm == pytest.approx(4.0, abs=1e-9)
    assert np.linalg.norm(np.cross(found.axis, POSE.turn(np.array([0.0, 0.0, 1.0])))) < 1e-9
    offset = found.point_mm - POSE.translation_mm
    assert np.linalg.norm(np.cross(offset, found.axis)) < 1e-8


@pytest.mark.parametrize(
    ("shift", "tilt", "expected_mm"),
    [((0.03, 0.04), 0.0, 0.05), ((0.15, 0.2), 0.0, 0.25), ((0.1, 0.0), 0.01, 0.2), ((0.0, 0.0), 0.0, 0.0)],
)
def test_the_axis_lies_off_by_the_larger_of_both_ends(
    shift: tuple[float, float], tilt: float, expected_mm: float
) -> None:
    found = _measured(_bore_scan(shift=shift, tilt=tilt))
    assert isinstance(found, MeasuredHole)
    tilt_form_mm = 6.0 * tilt**2  # a sheared circle is no exact cylinder
    assert np.linalg.norm(found.offset_mm, axis=1).max() == pytest.approx(expected_mm, abs=1e-6 + tilt_form_mm)
    assert found.cylinder.radius_mm == pytest.approx(6.0, abs=1e-6 + tilt_form_mm)


def test_shrink_is_taken_out_about_its_own_centre() -> None:
    scale, centre = 1.004, np.array([-100.0, 0.0, 0.0])
    scan = _bore_scan()
    grown = Scan(centre + scale * (scan.points_mm - centre), scan.normals, None, "mm", 0.0)
    shrink = Shrink(np.full(3, scale), np.zeros((3, 3)), scale, 0.0, np.ones(3, dtype=bool), centre)
    kept, freed = _measured(grown, shrink), _measured(grown, shrink, shrink_removed=True)
    assert isinstance(kept, MeasuredHole)
    assert isinstance(freed, MeasuredHole)
    assert np.linalg.norm(kept.offset_mm, axis=1).max() == pytest.approx(0.4, abs=1e-6)
    assert np.linalg.norm(freed.offset_mm, axis=1).max() < 1e-6


def test_less_than_a_third_of_a_circle_is_refused_with_the_reason() -> None:
    found = _measured(_bore_scan(arc_deg=90.0))
    assert isinstance(found, NotMeasured)
    assert "90 of 360 degrees" in found.reason


def test_a_bore_without_points_is_refused_with_the_reason() -> None:
    scan = _bore_scan()
    found = _measured(Scan(scan.points_mm + np.array([0.0, 0.0, 300.0]), scan.normals, None, "mm", 0.0))
    assert isinstance(found, NotMeasured)
    assert "only 0 scan points" in found.reason


def test_a_hole_is_found_by_a_point_near_its_axis() -> None:
    hole = find_hole(BORE, face=None, point_mm=np.array([1.0, -2.0, 5.0]), where="test")
    assert hole.faces.tolist() == [6]
    assert hole.ends_mm.tolist() == [[0.0, 0.0, 0.0], [0.0, 0.0, 20.0]]


@pytest.mark.parametrize(("face", "point"), [(0, None), (99, None), (None, (15.0, 0.0, 0.0))])
def test_what_is_no_hole_is_named_in_the_error(face: int | None, point: tuple[float, ...] | None) -> None:
    with pytest.raises(PlanInvalid, match="characteristic h1") as caught:
        find_hole(BORE, face=face, point_mm=None if point is None else np.array(point), where="characteristic h1")
    assert caught.value.data["faults"]


def test_the_stated_scatter_of_the_fit_is_that_of_repeats() -> None:
    radii, sigmas = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        points = _ring(4.0, np.linspace(-10, 10, 20), 40)
        points[:, :2] *= 1 + rng.normal(scale=0.02, size=(len(points), 1)) / 4.0
        found = fit_cylinder(points, np.array([0.0, 0.0, 1.0]), np.zeros(3))
        assert found is not None
        radii.append(found.radius_mm)
        sigmas.append(np.sqrt(found.covariance[4, 4]))
    assert np.std(radii) == pytest.approx(0.02 / np.sqrt(800), rel=0.35)
    assert 0.8 < np.mean(sigmas) / np.std(radii) < 2.0  # never too small by much: blocks err to the safe side

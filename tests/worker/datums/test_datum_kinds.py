from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shared.plan import Datum, DatumReference, Frame
from tests.support.datum_scenes import (
    BOX,
    HIGH_X,
    HIGH_Z,
    LEAST_SQUARES,
    LOW_X,
    LOW_Z,
    PLANES,
    TANGENT,
    box_scan,
    frame_on,
    moved,
    seen_of,
    shifted,
    still_pose,
)
from tests.support.feature_records import circle_pattern, cylinder_of, plane_of, together
from tests.support.shapes import bored_block
from worker.datums.association import associate
from worker.datums.motions import Origin, all_motions, left_open
from worker.datums.records import MeasuringFrame, NoFrame
from worker.datums.reference_frame import datum_frame
from worker.datums.surfaces import DatumSurface, SurfaceShape, Touch
from worker.records import Floats, Scan
from worker.rigid import RigidTransform

BORE = bored_block((40.0, 30.0, 20.0), 6.0)
HOLE, TOP = cylinder_of(BORE, 6), plane_of(BORE, 5)
MOTION = RigidTransform.from_rotation_vector(np.array([0.002, -0.0015, 0.0]), np.array([0.2, -0.3, 0.15]))
BOTH = pytest.mark.parametrize("reference", [LEAST_SQUARES, TANGENT])
BOW_MM = 0.3
PATCH_MM = 10.0  # 25 points of a grid of 2 mm


def _bored_scan(bore: RigidTransform) -> Scan:
    """Bore and top of the bored block on even grids, the bore moved alone."""
    turn, height = (grid.ravel() for grid in np.meshgrid(np.linspace(0, 2 * np.pi, 90)[:-1], np.arange(0.25, 20, 0.5)))
    outward = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(len(turn))])
    wall = bore.apply(6.0 * outward + np.outer(height, [0.0, 0.0, 1.0]))
    x, y = (grid.ravel() for grid in np.meshgrid(np.arange(-19.5, 20), np.arange(-14.5, 15)))
    is_top = np.hypot(x, y) > 6.5
    top = np.column_stack([x[is_top], y[is_top], np.full(is_top.sum(), 20.0)])
    normals = np.concatenate([-outward, np.tile([0.0, 0.0, 1.0], (len(top), 1))])
    return Scan(np.concatenate([wall, top]), normals, None, "mm", 0.0)


@BOTH
def test_a_bore_as_primary_puts_its_axis_on_nominals(reference: DatumReference) -> None:
    seen = seen_of(BORE, moved(_bored_scan(RigidTransform.identity()), MOTION))
    found = frame_on(seen, (HOLE.id, TOP.id), reference, (HOLE, TOP))
    places = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 20.0]])
    assert np.abs(found.T_frame_pose.apply(MOTION.apply(places)) - places).max() < 1e-4
    assert found.open_text == ("turns about z",)


def test_a_bore_as_secondary_only_locates() -> None:
    """It leans by 0.01 and lies 0.2 off at mid depth: the face keeps the tilt, the bore's middle comes to the axis."""
    lean = RigidTransform.about(np.array([0.0, 0.01, 0.0]), np.array([0.2, 0.0, 0.0]), np.array([0.0, 0.0, 10.0]))
    found = frame_on(seen_of(BORE, _bored_scan(lean)), (TOP.id, HOLE.id), features=(HOLE, TOP))
    assert found.T_frame_pose.angle_rad() < 1e-9
    assert found.T_frame_pose.translation_mm == pytest.approx([-0.2, 0.0, 0.0], abs=1e-3)


def test_the_largest_pin_stands_upright_in_a_leaning_bore_when_the_face_comes_first() -> None:
    """Square to the face, the pin touches both rims on opposite sides: its axis is the middle of the two."""
    lean = RigidTransform.about(np.array([0.0, 0.01, 0.0]), np.array([0.2, 0.0, 0.0]), np.array([0.0, 0.0, 10.0]))
    found = frame_on(seen_of(BORE, _bored_scan(lean)), (TOP.id, HOLE.id), TANGENT, (HOLE, TOP))
    assert found.T_frame_pose.angle_rad() < 1e-9
    assert found.T_frame_pose.translation_mm == pytest.approx([-0.2, 0.0, 0.0], abs=2e-3)


def test_a_pattern_of_holes_leaves_only_the_slide_along_them() -> None:
    corners = 50.0 * np.array([[1.0, 0, 0], [-0.5, 0.866, 0], [-0.5, -0.866, 0]])
    plate = together(tuple((BORE, corner) for corner in corners))
    holes = tuple(cylinder_of(plate, 7 * number + 6) for number in range(3))
    one = _bored_scan(RigidTransform.identity())
    assert one.normals is not None
    whole = Scan(
        np.concatenate([one.points_mm + corner for corner in corners]), np.tile(one.normals, (3, 1)), None, "mm", 0
    )
    motion = RigidTransform.from_rotation_vector(np.array([0.001, 0.001, 0.002]), np.array([0.1, 0.2, 0.0]))
    seen = seen_of(plate, moved(whole, motion))
    found = frame_on(seen, ("pattern-1",), features=(*holes, circle_pattern(holes, 50.0)))
    off = found.T_frame_pose.apply(motion.apply(corners)) - corners
    assert np.abs(off[:, :2]).max() < 1e-4
    assert found.open_text == ("slides along z",)


def _bowed(points: Floats) -> Floats:
    return points - np.outer(BOW_MM * ((points[:, 0] - 50.0) / 50.0) ** 2, [0.0, 0.0, 1.0])


BOWED = seen_of(BOX, box_scan({5: _bowed}, step_mm=2.0))


@pytest.mark.parametrize(
    ("datum", "lift_mm"),
    [
        ({"feature": HIGH_Z, "reference": TANGENT}, 0.0),  # the crest touches
        ({"feature": HIGH_Z, "reference": LEAST_SQUARES}, BOW_MM / 3),  # mean of a parabola
        (
            {"targets": [{"point": (x, y, 60.0), "radius": 4.0} for x, y in ((10, 20), (10, 60), (90, 40))]},
            BOW_MM * 0.8**2,  # 40 of 50 mm from the crest
        ),
    ],
)
def test_a_bowed_face_rests_on_its_crest_its_mean_or_its_targets(datum: dict[str, object], lift_mm: float) -> None:
    asked = Datum.model_validate({"letter": "A", **datum})
    found = datum_frame(Frame(name="main", datums=("A",)), (asked,), PLANES, BOWED, still_pose())
    assert isinstance(found, MeasuringFrame)
    margin_mm = 0.15 * BOW_MM / 3  # of the ends that the margin leaves out
    rocking_rad = 2 * BOW_MM / 50.0**2 * PATCH_MM / 2  # how far the bow turns over half a patch
    assert found.T_frame_pose.apply(np.array([50.0, 40.0, 60.0]))[2] == pytest.approx(60.0 + lift_mm, abs=margin_mm)
    assert found.T_frame_pose.angle_rad() < rocking_rad
    assert len(found.open_text) == 3


def _targets(*places: tuple[float, float, float]) -> list[dict[str, object]]:
    return [{"point": place, "radius": 5.0} for place in places]


def test_six_targets_hold_the_piece() -> None:
    """Three, two and one (3-2-1): a moved piece is put back."""
    motion = RigidTransform.from_rotation_vector(np.array([0.001, -0.0015, 0.002]), np.array([0.2, -0.3, 0.15]))
    letters = {
        "A": _targets((10, 10, 0), (90, 10, 0), (50, 70, 0)),
        "B": _targets((0, 10, 30), (0, 70, 30)),
        "C": _targets((50, 0, 30)),
    }
    datums = [Datum.model_validate({"letter": letter, "targets": spots}) for letter, spots in letters.items()]
    frame = Frame(name="main", datums=("A", "B", "C"))
    found = datum_frame(frame, datums, PLANES, seen_of(BOX, moved(box_scan(), motion)), still_pose())
    assert isinstance(found, MeasuringFrame)
    corner = np.array([0.0, 0.0, 0.0])
    assert found.T_frame_pose.apply(motion.apply(corner)) == pytest.approx(corner, abs=2e-3)
    assert found.open_text == ()


@pytest.mark.parametrize(
    ("place", "words"),
    [((50.0, 40.0, 30.0), "off nominal's surface"), ((50.0, 40.0, 60.0), "scan points lie within")],
)
def test_a_target_nobody_can_touch_gives_no_frame(place: tuple[float, float, float], words: str) -> None:
    scan = box_scan()
    kept = scan.points_mm[:, 2] < 59.0
    assert scan.normals is not None
    seen = seen_of(BOX, Scan(scan.points_mm[kept], scan.normals[kept], None, "mm", 0.0))
    datum = Datum.model_validate({"letter": "A", "targets": _targets(place)})
    found = datum_frame(Frame(name="main", datums=("A",)), (datum,), PLANES, seen)
    assert isinstance(found, NoFrame)
    assert found.reason.startswith("datum A: ")
    assert words in found.reason


@BOTH
def test_a_width_is_centred_whatever_its_size(reference: DatumReference) -> None:
    """Longer by 0.4 on one side only: the middle lies 0.2 over."""
    grown = box_scan({1: shifted(0.4, 0.0, 0.0)})
    datum = Datum.model_validate({"letter": "A", "width": (LOW_X, HIGH_X), "reference": reference})
    found = datum_frame(Frame(name="main", datums=("A",)), (datum,), PLANES, seen_of(BOX, grown), still_pose())
    assert isinstance(found, MeasuringFrame)
    assert found.T_frame_pose.translation_mm[0] == pytest.approx(-0.2, abs=1e-6)
    assert found.open_text == ("slides along y", "slides along z", "turns about x")


@pytest.mark.parametrize(("pair", "words"), [((LOW_X, LOW_Z), "opposite"), ((HOLE.id, TOP.id), "not two planes")])
def test_what_has_no_middle_is_no_width(pair: tuple[str, str], words: str) -> None:
    datum = Datum.model_validate({"letter": "A", "width": pair})
    found = datum_frame(Frame(name="main", datums=("A",)), (datum,), (*PLANES, HOLE, TOP), BOWED)
    assert isinstance(found, NoFrame)
    assert words in found.reason


def _surface(shape: SurfaceShape) -> DatumSurface:
    rng = np.random.default_rng(1)
    points = rng.normal(size=(50, 3)) + 10.0
    return DatumSurface(
        shape=shape,
        touch=Touch.THROUGH,
        point_mm=np.array([3.0, 4.0, 5.0]),
        direction=np.array([0.6, 0.0, 0.8]),
        points_mm=points,
        weights=np.ones(50),
        side=np.where(rng.random(50) > 0.5, 1.0, -1.0),
        sigma_mm=np.zeros(50),
        covariance=np.zeros((6, 6)),
        anchor_mm=points.mean(axis=0),
        dof=40.0,
        radius_mm=5.0,
        half_angle_rad=0.4,
    )


@pytest.mark.parametrize(
    ("shape", "left"),
    [
        (SurfaceShape.PLANE, 3),
        (SurfaceShape.SPHERE, 3),
        (SurfaceShape.CYLINDER, 2),
        (SurfaceShape.CONE, 1),
        (SurfaceShape.MIDDLE, 3),
        (SurfaceShape.SPOT, 5),
    ],
)
def test_a_datum_leaves_the_motions_its_surface_slides_on(shape: SurfaceShape, left: int) -> None:
    """Plane 3, sphere 3, cylinder 2, surface of revolution 1 (Gelfand and Guibas 2004, table 1)."""
    origin = Origin(np.array([20.0, 10.0, 0.0]), 60.0)
    found = associate(_surface(shape), RigidTransform.identity(), all_motions(origin), origin)
    assert left_open(all_motions(origin), found.ideal_rows, origin).shape == (6, left)


def test_nothing_given_is_changed() -> None:
    before = BOWED.deviation.scan_points_mm.copy()
    frame_on(replace(BOWED), (HIGH_Z,), TANGENT)
    assert np.array_equal(before, BOWED.deviation.scan_points_mm)

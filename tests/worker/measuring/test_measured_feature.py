from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.feature_records import circle_pattern, cylinder_of, plane_of, slot_of, together
from tests.support.shapes import block, bored_block, deviation_of, scan_of
from worker.features.records import Feature
from worker.fitting.records import Association, ElementKind, Refusal
from worker.measuring.feature_points import feature_points
from worker.measuring.measured_feature import MeasuredFeature, measure_feature
from worker.measuring.seen import NotMeasured, Seen
from worker.records import Floats, Nominal, Scan, Shrink

BORE = bored_block((40.0, 30.0, 20.0), 6.0)
HOLE = cylinder_of(BORE, 6)
BOX = block((60.0, 40.0, 20.0))


def _bore_scan(*, shift: tuple[float, float] = (0.0, 0.0), tilt: float = 0.0, arc_deg: float = 360.0) -> Scan:
    """The bore as scanned, its axis shifted in the middle and tilted about y."""
    rng = np.random.default_rng(5)
    turn = np.radians(rng.uniform(0, arc_deg, 8000))
    outward = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(8000)])
    height = rng.uniform(0.2, 19.8, 8000)
    points = 6.0 * outward + np.column_stack([shift[0] + tilt * (height - 10), np.full(8000, shift[1]), height])
    return Scan(points, -outward, None, "mm", 0.0)


def _seen(nominal: Nominal, scan: Scan, shrink: Shrink | None = None) -> Seen:
    samples, deviation = deviation_of(nominal, scan)
    return Seen(nominal, samples, deviation, shrink)


def _found(feature: Feature, seen: Seen, *, shrink_removed: bool = False) -> MeasuredFeature:
    found = measure_feature(feature, seen, shrink_removed=shrink_removed)
    assert isinstance(found, MeasuredFeature), found
    return found


def _offset(found: MeasuredFeature, place: Floats) -> Floats:
    return found.element.place_at(place) - place


@pytest.mark.parametrize(("shift", "tilt"), [((0.03, 0.04), 0.0), ((0.15, 0.2), 0.0), ((0.1, 0.0), 0.01)])
def test_a_hole_is_where_its_points_put_it(shift: tuple[float, float], tilt: float) -> None:
    found = _found(HOLE, _seen(BORE, _bore_scan(shift=shift, tilt=tilt)))
    form_mm = 6.0 * tilt**2  # a sheared circle is no exact cylinder
    middle = _offset(found, np.array([0.0, 0.0, 10.0]))
    assert middle[:2] == pytest.approx(shift, abs=1e-6 + form_mm)
    assert found.element.radius_mm == pytest.approx(6.0, abs=1e-6 + form_mm)
    assert found.element.direction is not None
    assert found.element.direction[0] == pytest.approx(tilt, abs=1e-5)
    assert found.arc_share == 1.0
    assert found.length_share == pytest.approx(0.98, abs=0.01)  # scanned from 0.2 to 19.8 of 20


def test_a_plane_points_out_of_material_whatever_its_triangles_say() -> None:
    top = plane_of(BOX, 5)
    found = _found(top, _seen(BOX, scan_of(BOX, 6000, 1)))
    assert found.element.direction is not None
    assert found.element.direction == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    assert found.element.point_mm[2] == pytest.approx(20.0, abs=1e-9)


def test_shrink_is_taken_out_about_its_own_centre() -> None:
    scale, centre = 1.004, np.array([-100.0, 0.0, 0.0])
    scan = _bore_scan()
    grown = Scan(centre + scale * (scan.points_mm - centre), scan.normals, None, "mm", 0.0)
    shrink = Shrink(np.full(3, scale), np.zeros((3, 3)), scale, 0.0, np.ones(3, dtype=bool), centre)
    seen = _seen(BORE, grown, shrink)
    middle = np.array([0.0, 0.0, 10.0])
    assert _offset(_found(HOLE, seen), middle)[0] == pytest.approx(0.4, abs=1e-6)
    assert np.linalg.norm(_offset(_found(HOLE, seen, shrink_removed=True), middle)) < 1e-6


def test_a_burr_along_the_rim_does_not_tilt_a_plane() -> None:
    """A ridge 0.4 mm high within 0.4 mm of one edge lies inside the margin."""
    scan = scan_of(BOX, 20_000, 2)
    points = scan.points_mm.copy()
    is_burr = (points[:, 2] > 19.9) & (points[:, 0] > 59.6)
    points[is_burr, 2] += 0.4
    found = _found(plane_of(BOX, 5), _seen(BOX, replace(scan, points_mm=points)))
    assert found.element.direction == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)


def test_the_margin_leaves_a_shallow_hole_its_depth() -> None:
    shallow = bored_block((40.0, 30.0, 1.0), 6.0)
    rng = np.random.default_rng(5)
    turn = rng.uniform(0, 2 * np.pi, 4000)
    outward = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(4000)])
    points = 6.0 * outward + np.column_stack([np.zeros((4000, 2)), rng.uniform(0.0, 1.0, 4000)])
    own = feature_points(cylinder_of(shallow, 6), _seen(shallow, Scan(points, -outward, None, "mm", 0.0)))
    assert np.ptp(own.points_mm[:, 2]) > 0.78


def test_points_that_face_another_way_are_left_out() -> None:
    scan = _bore_scan()
    assert scan.normals is not None
    leaning = scan.normals + np.array([0.0, 0.0, 1.2])  # 50 degrees off the wall: a chamfer's
    seen = _seen(BORE, replace(scan, normals=leaning / np.linalg.norm(leaning, axis=1, keepdims=True)))
    assert feature_points(HOLE, seen).paired_count == 0


@pytest.mark.parametrize(
    ("scan", "words", "code"),
    [
        (_bore_scan(arc_deg=90.0), "90 of 360 degrees", Refusal.TOO_LITTLE_ARC),
        (replace(_bore_scan(), points_mm=_bore_scan().points_mm + 300.0), "only 0 scan points", Refusal.NO_POINTS),
        (scan_of(BORE, 30, 1, face=np.array([6])), "scan points lie on hole-6", Refusal.TOO_FEW_POINTS),
    ],
)
def test_what_the_scan_hardly_shows_is_refused_with_its_reason(scan: Scan, words: str, code: Refusal) -> None:
    found = measure_feature(HOLE, _seen(BORE, scan))
    assert isinstance(found, NotMeasured)
    assert words in found.reason
    assert found.code is code


def test_a_slice_of_a_hole_is_refused() -> None:
    scan = _bore_scan()
    low = scan.points_mm[:, 2] < 4.0
    assert scan.normals is not None
    found = measure_feature(HOLE, _seen(BORE, Scan(scan.points_mm[low], scan.normals[low], None, "mm", 0.0)))
    assert isinstance(found, NotMeasured)
    assert found.code is Refusal.TOO_SHORT


def _groove() -> tuple[Nominal, Feature]:
    """Two facing walls 10 mm apart: the sides of a box taken as the flats of a slot, turned inside out."""
    box = block((60.0, 10.0, 20.0))
    inside_out = replace(box, triangles=box.triangles[:, ::-1])
    axes = (np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]))
    return inside_out, slot_of(inside_out, (2, 3), axes, 70.0)


def _groove_scan(nominal: Nominal, widths: tuple[float, float], faces: tuple[int, ...] = (2, 3)) -> Scan:
    """Walls moved outward of the gap by these amounts."""
    scan = scan_of(nominal, 6000, 3, face=np.array(faces))
    assert scan.normals is not None
    high = scan.normals[:, 1] < 0
    points = scan.points_mm.copy()
    points[high, 1] += widths[1]
    points[~high, 1] -= widths[0]
    return replace(scan, points_mm=points)


def test_a_slot_is_its_width_and_the_plane_midway() -> None:
    nominal, slot = _groove()
    found = _found(slot, _seen(nominal, _groove_scan(nominal, (0.1, 0.3))))
    assert found.width_mm == pytest.approx(10.4, abs=1e-9)
    assert found.element.kind is ElementKind.PLANE
    assert found.element.point_mm[1] == pytest.approx(5.1, abs=1e-9)
    assert len(found.parts) == 2


def test_one_side_of_a_slot_is_no_slot() -> None:
    nominal, slot = _groove()
    found = measure_feature(slot, _seen(nominal, _groove_scan(nominal, (0.0, 0.0), faces=(2,))))
    assert isinstance(found, NotMeasured)
    assert found.code is Refusal.ONE_SIDED
    assert "one side" in found.reason


def test_the_width_of_a_slot_is_as_sure_as_repeats_say() -> None:
    nominal, slot = _groove()
    widths, sigmas = [], []
    for seed in range(30):
        scan = _groove_scan(nominal, (0.0, 0.0))
        noise = np.random.default_rng(seed).normal(scale=0.02, size=len(scan.points_mm))
        moved = scan.points_mm + noise[:, None] * np.array([0.0, 1.0, 0.0])
        found = _found(slot, _seen(nominal, replace(scan, points_mm=moved)))
        assert found.width_mm is not None
        assert found.width_sigma_mm is not None
        widths.append(found.width_mm)
        sigmas.append(found.width_sigma_mm)
    assert np.std(widths) == pytest.approx(np.mean(sigmas), rel=0.4)  # 30 draws: 13 % standard error, three of them


CORNERS = 50.0 * np.array([[1.0, 0.0, 0.0], [-0.5, np.sqrt(0.75), 0.0], [-0.5, -np.sqrt(0.75), 0.0]])
PLATE = together(tuple((BORE, corner) for corner in CORNERS))
HOLES = tuple(cylinder_of(PLATE, 7 * number + 6) for number in range(3))
PATTERN = circle_pattern(HOLES, 50.0)


def _pattern_scan(offsets: Floats) -> Scan:
    scans = [_bore_scan(shift=(float(offset[0]), float(offset[1]))) for offset in offsets]
    points = np.concatenate([scan.points_mm + corner for scan, corner in zip(scans, CORNERS, strict=True)])
    normals = np.concatenate([scan.normals for scan in scans if scan.normals is not None])
    return Scan(points, normals, None, "mm", 0.0)


def test_a_pattern_is_shifted_turned_and_grown_as_its_holes_are() -> None:
    grown = 0.1 * CORNERS[:, :2] / 50.0
    turned = 0.001 * np.column_stack([-CORNERS[:, 1], CORNERS[:, 0]])
    seen = _seen(PLATE, _pattern_scan(np.array([0.2, -0.1]) + grown + turned))
    found = measure_feature(PATTERN, seen, features=HOLES)
    assert isinstance(found, MeasuredFeature)
    assert found.element.point_mm == pytest.approx([0.2, -0.1, 10.0], abs=1e-6)
    assert found.element.radius_mm == pytest.approx(50.1, abs=1e-6)
    assert found.element.residual_mm.max() < 1e-6
    assert len(found.members) == 3


def test_what_one_hole_of_a_pattern_is_off_alone_is_left_over() -> None:
    seen = _seen(PLATE, _pattern_scan(np.array([[0.3, 0.0], [0.0, 0.0], [0.0, 0.0]])))
    found = measure_feature(PATTERN, seen, features=HOLES)
    assert isinstance(found, MeasuredFeature)
    assert found.element.point_mm[0] == pytest.approx(0.1, abs=1e-6)  # six numbers less four leave room for the rest
    assert found.element.residual_mm.max() > 0.05


def test_a_pattern_with_a_hole_unseen_is_not_measured() -> None:
    scan = _pattern_scan(np.zeros((3, 2)))
    kept = scan.points_mm[:, 0] < 30.0
    assert scan.normals is not None
    seen = _seen(PLATE, Scan(scan.points_mm[kept], scan.normals[kept], None, "mm", 0.0))
    found = measure_feature(PATTERN, seen, features=HOLES)
    assert isinstance(found, NotMeasured)
    assert "hole-6" in found.reason


def test_a_pattern_without_its_holes_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="hole-6"):
        measure_feature(PATTERN, _seen(PLATE, _pattern_scan(np.zeros((3, 2)))))


def _lobed_scan(lobe_mm: float) -> Scan:
    """A bore whose radius grows and shrinks four times round."""
    scan = _bore_scan()
    assert scan.normals is not None
    turn = np.arctan2(scan.points_mm[:, 1], scan.points_mm[:, 0])
    return replace(scan, points_mm=scan.points_mm - lobe_mm * np.cos(4 * turn)[:, None] * scan.normals)


@pytest.mark.parametrize(
    ("association", "radius_mm"),
    [
        (Association.LEAST_SQUARES, 6.0),
        (Association.MAXIMUM_INSCRIBED, 5.9),
        (Association.MINIMUM_CIRCUMSCRIBED, 6.1),
        (Association.TANGENT, 5.9),
    ],
)
def test_a_lobed_bore_has_its_lobes_between_its_envelopes(association: Association, radius_mm: float) -> None:
    found = measure_feature(HOLE, _seen(BORE, _lobed_scan(0.1)), association=association)
    assert isinstance(found, MeasuredFeature)
    patch_mm = 0.1 * (4 * 0.15) ** 2 / 6  # patches 0.3 rad wide level a lobe's top off
    assert found.element.radius_mm == pytest.approx(radius_mm, abs=patch_mm)


def test_a_bowed_face_is_touched_at_its_top() -> None:
    scan = scan_of(BOX, 20_000, 2)
    points = scan.points_mm.copy()
    is_top = points[:, 2] > 19.99
    points[is_top, 2] -= 0.2 * ((points[is_top, 0] - 30.0) / 30.0) ** 2
    seen = _seen(BOX, replace(scan, points_mm=points))
    found = measure_feature(plane_of(BOX, 5), seen, association=Association.TANGENT)
    assert isinstance(found, MeasuredFeature)
    patch_mm = 0.2 * (2.0 / 30.0) ** 2  # patches 4 mm wide level the crest off
    assert found.element.point_mm[2] == pytest.approx(20.0, abs=patch_mm)


def test_form_zones_are_not_asked_of_features() -> None:
    with pytest.raises(ValueError, match="zones"):
        measure_feature(HOLE, _seen(BORE, _bore_scan()), association=Association.MINIMUM_ZONE)

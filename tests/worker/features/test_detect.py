"""What was drilled, milled and left standing is found, from a B-rep and from facets alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.support.feature_match import match
from tests.support.feature_parts import FEATURE_PARTS
from tests.support.remeshed import shaken, subdivided, through_stl
from tests.support.solids import box, cut, cylinder, fuse, loft, tessellated
from worker.features.detect import detect_features
from worker.features.records import Feature, FeatureKind
from worker.records import Nominal

SOME_PARTS = ("drilled_plate", "turned_shaft", "slanted_block", "ball_part")


def _kinds(features: tuple[Feature, ...]) -> list[str]:
    return [feature.kind.value for feature in features]


def _regular(count: int, radius_mm: float) -> Nominal:
    """A plate with a hole of ``count`` segments."""
    angle = 2 * np.pi * np.arange(count) / count
    ring = radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    outer = 40.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    vertices = np.concatenate(
        [np.column_stack([item, np.full(count, z)]) for z in (0.0, 8.0) for item in (ring, outer)]
    )
    here, there = np.arange(count), np.roll(np.arange(count), -1)
    sides = [(0, 2 * count), (3 * count, count), (count, 0), (2 * count, 3 * count)]  # bore, outside, bottom, top
    triangles = np.concatenate(
        [
            np.concatenate(
                [
                    np.column_stack([low + here, high + here, high + there]),
                    np.column_stack([low + here, high + there, low + there]),
                ]
            )
            for low, high in sides
        ]
    )
    base = tessellated(box((0, 0, 0), (1, 1, 1)))
    face = np.zeros(len(triangles), dtype=np.int64)
    return replace(base, vertices_mm=vertices, triangles=triangles, triangle_face=face, faces=base.faces[:1])


@pytest.mark.parametrize("with_surfaces", [True, False], ids=["brep", "mesh"])
@pytest.mark.parametrize("name", SOME_PARTS)
def test_every_feature_made_is_found_and_no_other(name: str, with_surfaces: bool) -> None:
    piece = FEATURE_PARTS[name]()
    nominal = tessellated(piece.solid(), with_surfaces=with_surfaces)

    result = match(piece.truths, detect_features(nominal), nominal)

    assert not result.missed
    assert not result.false


@pytest.mark.parametrize("way", ["stl", "subdivided", "shaken"])
def test_another_mesh_of_the_same_part_shows_the_same_features(way: str, tmp_path: Path) -> None:
    piece = FEATURE_PARTS["drilled_plate"]()
    mesh = tessellated(piece.solid())
    ways = {"stl": lambda: through_stl(mesh, tmp_path), "subdivided": lambda: subdivided(mesh)}
    nominal = ways.get(way, lambda: shaken(mesh, 1e-4))()

    result = match(piece.truths, detect_features(nominal), nominal)

    assert not result.missed
    assert not result.false


@pytest.mark.parametrize("name", SOME_PARTS)
def test_mesh_and_brep_number_their_features_alike(name: str) -> None:
    solid = FEATURE_PARTS[name]().solid()
    of_brep, of_mesh = (detect_features(tessellated(solid, with_surfaces=known)) for known in (True, False))

    assert [item.id for item in of_brep] == [item.id for item in of_mesh]
    # rims that curved surfaces cut into facets have a mean height of their own
    assert all(np.allclose(a.point_mm, b.point_mm, atol=0.1) for a, b in zip(of_brep, of_mesh, strict=True))


def test_ids_stay_when_triangles_come_in_another_order() -> None:
    mesh = tessellated(FEATURE_PARTS["slotted_plate"]().solid())
    order = np.random.default_rng(3).permutation(len(mesh.triangles))
    mixed = replace(mesh, triangles=mesh.triangles[order], triangle_face=mesh.triangle_face[order])

    for before, after in zip(detect_features(mesh), detect_features(mixed), strict=True):
        assert before.id == after.id
        assert np.array_equal(before.triangles, np.sort(order[after.triangles]))


@pytest.mark.parametrize("count", [10, 12, 16, 64])
def test_a_coarse_hole_has_the_radius_of_its_corners(count: int) -> None:
    features = detect_features(_regular(count, 6.0))
    hole = next(feature for feature in features if feature.kind is FeatureKind.HOLE)

    assert hole.radius_mm == pytest.approx(6.0, abs=1e-9)
    assert hole.is_through
    assert hole.depth_mm == pytest.approx(8.0, abs=1e-9)


def test_the_wall_of_a_freeform_port_is_no_feature() -> None:
    sections = [((0.0, y, 0.0), (0.0, 1.0, 0.0), (12 + y / 8, 7 + y / 20)) for y in (-31.0, -10.0, 12.0, 31.0)]
    nominal = tessellated(cut(box((-25, -30, -25), (50, 60, 50)), [loft(sections)]))

    assert _kinds(detect_features(nominal)) == ["plane"] * 6


def test_a_flat_milled_on_a_shaft_stays_a_plane() -> None:
    shaft = cut(cylinder((0, 0, 0), (0, 0, 1), 20, 40), [box((18.5, -20, -1), (10, 40, 60))])

    features = detect_features(tessellated(shaft))

    assert sorted(_kinds(features)) == ["boss", "plane", "plane", "plane"]


def test_a_hole_that_a_wider_passage_crosses_is_two_holes() -> None:
    tools = [cylinder((0, 0, -1), (0, 0, 1), 3, 42), cylinder((-21, 0, 20), (1, 0, 0), 8, 42)]
    nominal = tessellated(cut(box((-20, -20, 0), (40, 40, 40)), tools), with_surfaces=True)

    radii = [round(item.radius_mm or 0, 6) for item in detect_features(nominal) if item.kind is FeatureKind.HOLE]

    assert radii == [8.0, 3.0, 3.0]


def test_a_blind_hole_points_out_of_its_mouth() -> None:
    nominal = tessellated(cut(box((0, 0, 0), (30, 30, 30)), [cylinder((15, 15, -1), (0, 0, 1), 4, 11)]))
    hole = next(item for item in detect_features(nominal) if item.kind is FeatureKind.HOLE)

    assert hole.is_through is False
    assert hole.direction is not None
    assert hole.ends_mm is not None
    assert np.allclose(hole.direction, [0, 0, -1], atol=1e-6)
    assert np.allclose(hole.ends_mm, [[15, 15, 10], [15, 15, 0]], atol=1e-6)


def _bare(vertices: list[list[float]], triangles: list[list[int]]) -> Nominal:
    corners = np.array(vertices, dtype=np.float64).reshape(-1, 3)
    rows = np.array(triangles, dtype=np.int64).reshape(-1, 3)
    face = np.zeros(len(rows), dtype=np.int64)
    base = tessellated(box((0, 0, 0), (1, 1, 1)))
    return replace(base, vertices_mm=corners, triangles=rows, triangle_face=face, faces=base.faces[:1])


def test_nothing_has_no_features() -> None:
    assert detect_features(_bare([], [])) == ()


def test_a_triangle_without_area_has_no_features() -> None:
    assert detect_features(_bare([[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]])) == ()


def test_a_single_triangle_is_one_plane() -> None:
    (plane,) = detect_features(_bare([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 1, 2]]))

    assert plane.id == "plane-1"
    assert plane.area_mm2 == pytest.approx(40.5)


def _plate() -> Nominal:
    return tessellated(fuse([cut(box((0, 0, 0), (40, 30, 10)), [cylinder((20, 15, -1), (0, 0, 1), 5, 20)])]))


def test_an_open_mesh_keeps_what_it_shows() -> None:
    plate = _plate()
    is_kept = plate.vertices_mm[plate.triangles].mean(axis=1)[:, 2] < 9.9  # without its top
    opened = replace(plate, triangles=plate.triangles[is_kept], triangle_face=plate.triangle_face[is_kept])

    assert sorted(_kinds(detect_features(opened))) == ["hole", *["plane"] * 5]


def test_a_mesh_inside_out_shows_its_hole_as_a_boss() -> None:
    plate = _plate()

    assert "boss" in _kinds(detect_features(replace(plate, triangles=plate.triangles[:, ::-1])))


def test_a_part_far_from_the_origin_keeps_its_features() -> None:
    plate = _plate()
    moved = replace(plate, vertices_mm=plate.vertices_mm + 1e5)

    assert _kinds(detect_features(moved)) == _kinds(detect_features(plate))


def test_slivers_do_not_hide_features() -> None:
    plate = _plate()
    start, end = plate.triangles[0, :2]
    needle = np.concatenate([plate.vertices_mm, plate.vertices_mm[[start, end]].mean(axis=0)[None]])
    extra = np.array([[start, end, len(plate.vertices_mm)]])
    slivered = replace(
        plate,
        vertices_mm=needle,
        triangles=np.concatenate([plate.triangles, extra]),
        triangle_face=np.append(plate.triangle_face, 0),
    )

    assert _kinds(detect_features(slivered)) == _kinds(detect_features(plate))


def test_detection_leaves_nominal_as_it_was() -> None:
    plate = _plate()
    before = plate.vertices_mm.copy(), plate.triangles.copy()
    detect_features(plate)

    assert np.array_equal(plate.vertices_mm, before[0])
    assert np.array_equal(plate.triangles, before[1])

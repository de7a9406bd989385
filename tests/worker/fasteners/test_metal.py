"""Metal round holes of parts whose walls are known in closed form."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.support.solids import box, cut, cylinder, fuse, prism, tessellated
from worker.fasteners.holes import HoleShape, hole_shape, nearest_edge, surface_names, surroundings
from worker.fasteners.metal import metal_profile, open_heights
from worker.fasteners.records import MOUTH, Bore, MetalProfile
from worker.fasteners.shells import nominal_shell
from worker.features.detect import detect_features
from worker.features.records import Feature, FeatureKind
from worker.measuring.samples import SampleSettings, sample_nominal
from worker.records import Nominal

EXACT_MM = 1e-6
FEW = SampleSettings(edges_per_diagonal=4.0)
UP = (0, 0, 1)
BLOCK = box((0, 0, 0), (60, 40, 30))


def part(body: Any, *tools: Any, exact: bool = True) -> Nominal:
    return tessellated(cut(body, tools), with_surfaces=exact)


def hole_at(nominal: Nominal, x: float, y: float) -> tuple[Feature, tuple[Feature, ...]]:
    features = detect_features(nominal)
    own = [one for one in features if one.kind is FeatureKind.HOLE and abs(one.direction[2]) > 0.9]  # type: ignore[index]
    return min(own, key=lambda one: float(np.hypot(*(one.point_mm[:2] - (x, y))))), features


def profile_of(nominal: Nominal, x: float, y: float) -> tuple[HoleShape, MetalProfile, tuple[str, ...]]:
    feature, features = hole_at(nominal, x, y)
    shape = hole_shape(feature, surroundings(nominal, features))
    names = surface_names(nominal, sample_nominal(nominal, settings=FEW), (), features)
    label = np.where(shape.is_mouth, MOUTH, names.label)
    low, high = 0.98 * shape.full_mm
    heights = np.linspace(low, high, 21)
    bore = Bore(feature.point_mm, shape.direction, shape.radius_mm, heights)
    return shape, metal_profile(bore, nominal_shell(nominal, label, shape.is_own)), names.names


@pytest.mark.parametrize(("x", "radius_mm", "metal_mm"), [(36.0, 6.0, 5.0), (32.0, 6.5, 0.5), (33.7, 3.1, 5.6)])
def test_metal_to_a_parallel_bore_is_the_gap_of_both_walls(x: float, radius_mm: float, metal_mm: float) -> None:
    nominal = part(BLOCK, cylinder((20, 20, 10), UP, 5, 30), cylinder((x, 20, -1), UP, radius_mm, 50))
    _, found, _ = profile_of(nominal, 20, 20)
    assert found.metal_mm[0] == pytest.approx(metal_mm, abs=EXACT_MM)
    assert found.cosine[0] == pytest.approx(1.0)
    assert not found.is_open.any()


def test_metal_to_a_bore_that_lies_aside_is_found_between_the_rays() -> None:
    """The nearest turn, 21.8 degrees, is no multiple of the five degrees that rays stand apart."""
    nominal = part(BLOCK, cylinder((20, 15, 10), UP, 5, 30), cylinder((35, 21, -1), UP, 6, 50))
    _, found, _ = profile_of(nominal, 20, 15)
    assert found.metal_mm[0] == pytest.approx(np.hypot(15, 6) - 11, abs=EXACT_MM)
    assert found.turn_rad[0] == pytest.approx(found.turn_rad[0, 0], abs=1e-4)


def test_metal_to_a_slanting_side_follows_the_slant() -> None:
    """The side x = 60 - 2z/3: square to the axis the metal is that less 30 and the radius."""
    body = prism([(0, 0, 0), (60, 0, 0), (40, 0, 30), (0, 0, 30)], (0, 40, 0))
    _, found, _ = profile_of(part(body, cylinder((30, 20, -1), UP, 3.4, 40)), 30, 20)
    height = found.heights_mm + 15
    row = int(np.argmin(found.metal_mm.min(axis=1)))
    assert found.metal_mm[row] == pytest.approx(60 - 2 * height / 3 - 33.4, abs=EXACT_MM)
    assert found.cosine[row] == pytest.approx(1 / np.hypot(1, 2 / 3))
    foot = found.metal_mm[row] / np.hypot(1, 2 / 3)  # of the perpendicular: on the side, but for the topmost few
    is_on = height + foot * (2 / 3) / np.hypot(1, 2 / 3) < 30
    assert is_on.any()
    assert found.any_way_mm[row, is_on] == pytest.approx(foot[is_on], abs=EXACT_MM)
    assert (found.any_way_mm[row] < found.metal_mm[row]).all()


def test_metal_to_a_crossing_bore_is_least_where_it_passes() -> None:
    """A bore of radius 6 along y, its axis 20 mm off and at height 15."""
    nominal = part(BLOCK, cylinder((20, 20, 2), UP, 4, 40), cylinder((40, -1, 15), (0, 1, 0), 6, 60))
    shape, found, _ = profile_of(nominal, 20, 20)
    off = found.heights_mm + shape.feature.point_mm[2] - 15
    near = np.abs(off) < 5.5
    assert found.metal_mm[0, near] == pytest.approx(16 - np.sqrt(36 - off[near] ** 2), abs=EXACT_MM)


def test_a_mesh_without_exact_faces_is_off_by_its_facets_at_most() -> None:
    tools = (cylinder((20, 20, 10), UP, 5, 30), cylinder((36, 20, -1), UP, 6, 50))
    nominal = part(BLOCK, *tools, exact=False)
    facet_mm = 6 * (1 - np.cos(0.2 / 2))  # facets of 0.2 rad at most
    _, found, _ = profile_of(nominal, 20, 20)
    assert np.abs(found.metal_mm[0] - 5.0).max() <= 2 * facet_mm  # the hole's own radius is fitted to facets too


def test_metal_in_a_boss_is_its_wall() -> None:
    body = fuse([BLOCK, cylinder((20, 20, 30), UP, 8, 20)])
    _, found, names = profile_of(part(body, cylinder((20, 20, 20), UP, 4, 40)), 20, 20)
    is_boss = found.heights_mm + 35 > 30
    boss = next(row for row, label in enumerate(found.labels) if names[int(label)].startswith("boss"))
    assert found.metal_mm[boss, is_boss] == pytest.approx(4.0, abs=EXACT_MM)
    assert not found.is_found[boss, ~is_boss].any()


def test_a_hole_that_breaks_into_a_bore_has_no_metal_there() -> None:
    nominal = part(BLOCK, cylinder((20, 20, 2), UP, 4, 40), cylinder((28, -1, 15), (0, 1, 0), 6, 60))
    shape, found, _ = profile_of(nominal, 20, 20)
    heights = open_heights(found) + shape.feature.point_mm[2]
    assert heights.min() > 15 - 6
    assert heights.max() < 15 + 6
    assert found.is_open.any()


def test_the_faces_a_hole_opens_into_are_no_side_of_it() -> None:
    """A hole through a roof of 30 degrees: its wall goes round below the lower side only."""
    body = prism([(0, 0, 0), (60, 0, 0), (60, 0, 20), (0, 0, 20 + 60 * np.tan(np.radians(30)))], (0, 40, 0))
    shape, found, _ = profile_of(part(body, cylinder((30, 20, -1), UP, 3, 90)), 30, 20)
    middle = 20 + 30 * np.tan(np.radians(30))
    upper = shape.full_mm[1] + shape.feature.point_mm[2]
    assert upper == pytest.approx(middle - 3 * np.tan(np.radians(30)), abs=0.05)  # a corner of the rim in each bin
    assert found.metal_mm[found.is_found].min() == pytest.approx(17.0, abs=EXACT_MM)


@pytest.mark.parametrize(
    ("tools", "edge_mm"),
    [
        ((cylinder((14, 20, 10), UP, 4, 30),), 14.0),
        ((cylinder((14, 20, 10), UP, 4, 30), cylinder((14, 20, 25), UP, 7, 30)), 14.0),  # a counterbore is no edge
        ((cylinder((14, 20, 10), UP, 4, 30), cylinder((26, 20, 10), UP, 4, 30)), 14.0),  # nor is another hole
        ((cylinder((14, 20, 10), UP, 4, 30), box((20, -1, 20), (50, 50, 20))), 6.0),  # a step is
    ],
    ids=["plain", "counterbore", "neighbour", "step"],
)
def test_the_nearest_edge_is_where_the_face_ends(tools: tuple[Any, ...], edge_mm: float) -> None:
    nominal = part(BLOCK, *tools)
    features = detect_features(nominal)
    feature = min(
        (one for one in features if one.kind is FeatureKind.HOLE),
        key=lambda one: (round(float(one.point_mm[0])), one.radius_mm or 0.0),
    )
    shape = hole_shape(feature, surroundings(nominal, features))
    found = nearest_edge(feature.point_mm, shape.direction, shape.edges_mm)
    assert found is not None
    assert found[0] == pytest.approx(edge_mm, abs=EXACT_MM)


def test_a_boss_is_no_hole() -> None:
    nominal = part(fuse([BLOCK, cylinder((20, 20, 30), UP, 8, 20)]), cylinder((45, 20, 5), UP, 4, 40))
    features = detect_features(nominal)
    boss = next(one for one in features if one.kind is FeatureKind.BOSS)
    with pytest.raises(ValueError, match="is no hole"):
        hole_shape(boss, surroundings(nominal, features))


def test_a_ray_passes_what_is_left_out_and_ends_at_the_next_surface() -> None:
    """From the middle of a block of 60 x 40 x 30 out through the wall of its bore of 5 mm radius: 40 to the end."""
    nominal = part(BLOCK, cylinder((20, 20, -1), UP, 5, 40))
    corners = nominal.vertices_mm[nominal.triangles][:, :, :2] - (20.0, 20.0)
    is_bore = np.isclose(np.linalg.norm(corners, axis=2), 5.0).all(axis=1)
    shell = nominal_shell(nominal, np.zeros(len(is_bore), dtype=np.int64), is_bore)
    whole = nominal_shell(nominal, np.zeros(len(is_bore), dtype=np.int64), np.zeros(len(is_bore), dtype=bool))
    origin, way = np.array([[20.0, 20.0, 14.3]]), np.array([[1.0, 0.0, 0.0]])
    assert whole.cast(origin, way).distance_mm[0] == pytest.approx(5.0, abs=0.02)  # facets of the bore
    assert shell.cast(origin, way).distance_mm[0] == pytest.approx(40.0, abs=EXACT_MM)
    assert not is_bore[shell.cast(origin, way).triangle[0]]

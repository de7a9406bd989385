from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ellipe

from tests.support.ports import Grid, Shape, bend, bore_samples, elliptic, shifted, straight, throat
from worker.measuring.seen import NotMeasured
from worker.ports.bends import short_side
from worker.ports.sections import Port, port_of
from worker.records import Bools, Floats, Samples

ARC_SHARE = 1e-5  # of an area: what cubics over facets of nine degrees leave, 40 to the round
BEND_MM, RADIUS_MM = 40.0, 15.0


def port(shape: Shape, grid: Grid | None = None) -> Port:
    samples = bore_samples(shape, grid)
    found = port_of(samples, np.ones(len(samples.points_mm), dtype=bool))
    assert isinstance(found, Port)
    return found


def areas(found: Port) -> Floats:
    return np.array([section.area_mm2 for section in found.sections])


def hydraulic(found: Port) -> Floats:
    return np.array([section.hydraulic_diameter_mm for section in found.sections])


def test_a_straight_tube_has_one_area_throughout() -> None:
    found = port(straight(RADIUS_MM, 80.0))
    assert areas(found) == pytest.approx(np.pi * RADIUS_MM**2, rel=ARC_SHARE)
    assert found.line.length_mm == pytest.approx(80.0, abs=1e-9)
    assert found.volume_mm3 == pytest.approx(np.pi * RADIUS_MM**2 * 80, rel=ARC_SHARE)
    assert hydraulic(found) == pytest.approx(2 * RADIUS_MM, rel=ARC_SHARE)
    assert short_side(found) is None


def test_a_tapered_tube_is_smallest_at_its_narrow_end() -> None:
    found = port(straight(RADIUS_MM, 80.0, end_radius_mm=11.0))
    along = np.array([section.along_mm for section in found.sections])
    assert along[[0, -1]] == pytest.approx([0.0, 80.0], abs=1e-6)
    assert areas(found) == pytest.approx(np.pi * (RADIUS_MM - 4 * along / 80) ** 2, rel=ARC_SHARE)
    assert found.least == len(along) - 1
    frustum = np.pi * 80 / 3 * (RADIUS_MM**2 + 11**2 + RADIUS_MM * 11)
    assert found.volume_mm3 == pytest.approx(frustum, rel=ARC_SHARE)


@pytest.fixture(scope="module")
def quarter() -> Port:
    return port(bend(BEND_MM, RADIUS_MM))


def test_a_quarter_torus_has_its_closed_forms(quarter: Port) -> None:
    """Pappus: area times the way of its centroid."""
    area, length = np.pi * RADIUS_MM**2, np.pi / 2 * BEND_MM
    assert areas(quarter) == pytest.approx(area, rel=ARC_SHARE)
    assert quarter.line.length_mm == pytest.approx(length, rel=1e-6)
    assert quarter.volume_mm3 == pytest.approx(area * length, rel=ARC_SHARE)


def test_short_side_of_a_bend_is_bend_less_radius(quarter: Port) -> None:
    found = short_side(quarter)
    assert found is not None
    assert found.radius_mm == pytest.approx(BEND_MM - RADIUS_MM, abs=0.001)


def test_sections_of_a_bend_are_square_to_its_arc(quarter: Port) -> None:
    for section in quarter.sections:  # one claim for each of them
        arc = np.cross([0.0, 0.0, 1.0], section.outline.centroid_mm)
        assert abs(section.normal @ arc) / np.linalg.norm(arc) == pytest.approx(1.0, abs=1e-5)


def test_a_bend_between_straight_leads_keeps_its_area_and_its_short_side() -> None:
    found = port(bend(30.0, 12.0, lead_mm=35.0), Grid(72, 40))
    assert areas(found) == pytest.approx(np.pi * 144, rel=2e-3)  # where curvature begins the window rounds the line
    assert found.line.length_mm == pytest.approx(70 + np.pi / 2 * 30, rel=2e-3)
    tight = short_side(found)
    assert tight is not None
    assert tight.radius_mm == pytest.approx(18.0, abs=0.2)


def test_an_ellipse_has_its_hydraulic_diameter() -> None:
    """Perimeter 4 a E(e^2), the complete elliptic integral of the second kind, from scipy."""
    found = port(elliptic(18.0, 11.0, 70.0), Grid(40, 64))
    perimeter = 4 * 18 * ellipe(1 - (11 / 18) ** 2)
    assert areas(found) == pytest.approx(np.pi * 18 * 11, rel=1e-4)
    assert hydraulic(found) == pytest.approx(4 * np.pi * 18 * 11 / float(perimeter), rel=1e-4)


def test_a_throat_is_found_where_it_is() -> None:
    found = port(throat(15.0, 80.0, depth_mm=2.0), Grid(80, 40))
    least = found.sections[found.least]
    assert least.along_mm == pytest.approx(40.0, abs=1.0)  # half of the pitch
    assert least.area_mm2 == pytest.approx(np.pi * 13**2, rel=1e-3)  # one millimetre beside the throat


def test_moving_the_part_changes_nothing(quarter: Port) -> None:
    away = port(shifted(bend(BEND_MM, RADIUS_MM), (900.0, -400.0, 70.0)))
    assert away.volume_mm3 == pytest.approx(quarter.volume_mm3, rel=1e-9)
    assert areas(away) == pytest.approx(areas(quarter), rel=1e-7)


def with_hole(samples: Samples, centre_mm: tuple[float, float, float], radius_mm: float) -> Bools:
    gap: Bools = np.linalg.norm(samples.points_mm - np.array(centre_mm), axis=1) > radius_mm
    return gap


def test_a_hole_in_the_wall_is_bridged_and_is_no_end() -> None:
    """The bore of a valve guide breaks through the wall of its port."""
    samples = bore_samples(straight(RADIUS_MM, 80.0))
    found = port_of(samples, with_hole(samples, (RADIUS_MM, 0.0, 40.0), 5.0))
    assert isinstance(found, Port)
    assert found.line.length_mm == pytest.approx(80.0, abs=0.05)
    half = np.arcsin(7.3 / RADIUS_MM)  # at most: 5 mm and the row of triangles that the hole breaks
    lost = RADIUS_MM**2 * (half - np.sin(half) * np.cos(half))
    assert np.pi * RADIUS_MM**2 - lost < areas(found).min() < np.pi * RADIUS_MM**2 - 1.0


def test_an_oblique_end_is_no_section_and_breaks_none() -> None:
    samples = bore_samples(straight(RADIUS_MM, 80.0), Grid(80, 40))
    found = port_of(samples, samples.points_mm[:, 2] + 0.5 * samples.points_mm[:, 0] > 15.0)
    assert isinstance(found, Port)
    assert areas(found) == pytest.approx(np.pi * RADIUS_MM**2, rel=2e-3)
    start = min(float(section.outline.start_mm[:, 2].min()) for section in found.sections)
    assert start > 15.0 + RADIUS_MM / 2 - 3.0


@pytest.mark.parametrize(
    ("choose", "reason"),
    [
        (lambda p: p[:, 2] > 1e9, "too little surface"),
        (lambda p: (p[:, 2] < 30) | (p[:, 2] > 50), "in pieces"),
        (lambda p: p[:, 0] > 0, "not open at two ends"),
        (lambda p: np.linalg.norm(p - [15.0, 0.0, 40.0], axis=1) > 14, "more than two open ends"),
    ],
)
def test_what_is_no_port_is_refused_with_its_reason(choose: Callable[[Floats], Bools], reason: str) -> None:
    samples = bore_samples(straight(RADIUS_MM, 80.0))
    found = port_of(samples, choose(samples.points_mm))
    assert isinstance(found, NotMeasured)
    assert reason in found.reason


def test_the_outside_of_a_bar_is_no_port() -> None:
    samples = bore_samples(straight(RADIUS_MM, 80.0))
    bar = replace(samples, normals=-samples.normals, triangles=samples.triangles[:, ::-1])
    found = port_of(bar, np.ones(len(bar.points_mm), dtype=bool))
    assert isinstance(found, NotMeasured)
    assert "outside of a bar" in found.reason


def test_inputs_are_left_alone() -> None:
    samples = bore_samples(straight(RADIUS_MM, 80.0))
    for array in (samples.points_mm, samples.normals, samples.triangles):
        array.flags.writeable = False
    assert isinstance(port_of(samples, np.ones(len(samples.points_mm), dtype=bool)), Port)

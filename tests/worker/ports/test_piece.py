from __future__ import annotations

import numpy as np
import pytest

from tests.support.ports import (
    Grid,
    Shape,
    bend,
    bore_samples,
    deviation_at,
    measured_bores,
    shifted,
    straight,
    throat,
)
from worker.measuring.seen import NotMeasured
from worker.ports.bends import piece_short_side, short_side
from worker.ports.piece import (
    SCANNER,
    UNSEEN,
    PortPiece,
    PortVolume,
    Systematic,
    measure_port,
    measure_volume,
)
from worker.ports.sections import Port, port_of
from worker.records import Bools, Deviation, Floats, Samples

RADIUS_MM, LENGTH_MM, BEND_MM = 15.0, 80.0, 40.0
EXACT = Systematic(scanner_mm=0.0, facets_mm=0.0, resolution_mm=0.0, strain=0.0)
NOISE_MM = 0.05


def port(samples: Samples, *, is_exact: bool = True) -> Port:
    member = np.ones(len(samples.points_mm), dtype=bool)
    found = port_of(samples, member, is_exact=member & is_exact)
    assert isinstance(found, Port)
    return found


def piece_of(own: Port, deviation: Deviation, systematic: Systematic = EXACT) -> PortPiece:
    found = measure_port(own, deviation, systematic)
    assert isinstance(found, PortPiece)
    return found


@pytest.mark.parametrize("shape", [straight(RADIUS_MM, LENGTH_MM), bend(BEND_MM, RADIUS_MM)])
def test_a_bore_cut_larger_all_round_has_the_larger_circle(shape: Shape) -> None:
    samples = bore_samples(shape)
    found = piece_of(port(samples), deviation_at(samples, np.full(len(samples.points_mm), -0.3)))
    assert found.area_mm2 == pytest.approx(np.pi * (RADIUS_MM + 0.3) ** 2, rel=1e-5)
    assert found.hydraulic_diameter_mm == pytest.approx(2 * (RADIUS_MM + 0.3), rel=1e-5)
    assert np.linalg.norm(found.offset_mm, axis=1).max() < 1e-4


def off_of_shifted_circle(samples: Samples, shift_mm: Floats) -> Floats:
    """Deviation along the normals of a round bore whose sections moved by a shift in their plane."""
    along = -samples.normals @ shift_mm
    return RADIUS_MM - (along + np.sqrt(RADIUS_MM**2 - shift_mm @ shift_mm + along**2))


@pytest.mark.parametrize("shape", [straight(RADIUS_MM, LENGTH_MM), bend(BEND_MM, RADIUS_MM)])
def test_a_shifted_core_keeps_its_area_and_shows_its_shift(shape: Shape) -> None:
    samples = bore_samples(shape)
    own = port(samples)
    shift = 0.8 * np.cross(own.sections[0].normal, own.sections[0].outline.facing[0, 0])
    off = off_of_shifted_circle(samples, shift) if own.line.length_mm > 79 else None
    up = np.array([0.0, 0.0, 0.8])
    found = piece_of(own, deviation_at(samples, off_of_shifted_circle(samples, up) if off is None else off))
    assert found.area_mm2 == pytest.approx(np.pi * RADIUS_MM**2, rel=2e-4)
    assert np.linalg.norm(found.offset_mm, axis=1) == pytest.approx(0.8, abs=0.003)


def test_short_side_of_the_piece_follows_its_wall() -> None:
    samples = bore_samples(bend(BEND_MM, RADIUS_MM))
    own = port(samples)
    nominal = short_side(own)
    assert nominal is not None
    larger = piece_of(own, deviation_at(samples, np.full(len(samples.points_mm), -0.5), sigma_mm=0.01))
    found = piece_short_side(own, larger, nominal)
    assert found is not None
    assert found.radius_mm == pytest.approx(BEND_MM - RADIUS_MM - 0.5, abs=0.01)
    assert 0.0 < found.sigma_mm < 0.1


def half_seen(points_mm: Floats) -> Bools:
    """Beyond 50 mm only one side of the bore was scanned."""
    seen: Bools = (points_mm[:, 2] < 50) | (points_mm[:, 1] > 0)
    return seen


def test_sections_seen_to_half_are_not_measured_and_the_rest_are() -> None:
    samples = bore_samples(straight(RADIUS_MM, LENGTH_MM))
    own = port(samples)
    off = np.full(len(samples.points_mm), -0.2)
    found = piece_of(own, deviation_at(samples, off, is_measured=half_seen(samples.points_mm)))
    along = np.array([section.along_mm for section in own.sections])
    up = own.sections[-1].outline.centroid_mm[2] > 40
    height = along if up else LENGTH_MM - along
    assert found.is_measured[height < 46].all()
    assert not found.is_measured[height > 54].any()
    assert found.area_mm2[found.is_measured] == pytest.approx(np.pi * (RADIUS_MM + 0.2) ** 2, rel=1e-4)
    assert found.is_measured[found.least]


def test_what_was_not_seen_of_an_outline_is_told_in_its_uncertainty() -> None:
    samples = bore_samples(straight(RADIUS_MM, LENGTH_MM))
    angle = np.arctan2(samples.points_mm[:, 1], samples.points_mm[:, 0])
    off = 0.1 * np.cos(3 * angle)
    found = piece_of(port(samples), deviation_at(samples, off, is_measured=np.abs(angle) > 0.2 * np.pi / 2))
    assert found.is_measured.all()
    assert found.area_sigma_mm2[UNSEEN] == pytest.approx(0.1 * 2 * np.pi * RADIUS_MM * 0.07, rel=0.2)
    assert (np.abs(found.area_mm2 - np.pi * RADIUS_MM**2) < found.area_U_mm2 + 0.3).all()


@pytest.mark.parametrize("seen", [0.0, 0.4])
def test_a_port_hardly_seen_is_not_measured(seen: float) -> None:
    samples = bore_samples(straight(RADIUS_MM, LENGTH_MM))
    angle = np.arctan2(samples.points_mm[:, 1], samples.points_mm[:, 0])
    deviation = deviation_at(samples, np.zeros(len(angle)), is_measured=np.abs(angle) < seen * np.pi)
    assert isinstance(measure_port(port(samples), deviation, EXACT), NotMeasured)


def test_a_length_error_of_the_scanner_is_that_of_a_diameter() -> None:
    """A diameter longer by e has an area larger by half the perimeter times e."""
    samples = bore_samples(straight(RADIUS_MM, LENGTH_MM))
    scanner = Systematic(scanner_mm=0.02, facets_mm=0.0, resolution_mm=0.0, strain=0.0)
    found = piece_of(port(samples), deviation_at(samples, np.zeros(len(samples.points_mm))), scanner)
    larger = np.pi * (RADIUS_MM + 0.01) ** 2 - np.pi * RADIUS_MM**2
    assert found.area_sigma_mm2[SCANNER] == pytest.approx(larger, rel=1e-3)


def test_noise_of_a_scan_averages_over_the_outline_as_told() -> None:
    """Six scans of one bore; samples share points, so that neighbours do not average freely."""
    shape = {"port": straight(RADIUS_MM, LENGTH_MM)}
    errors = []
    for seed in range(6):  # one claim of all of them together
        measured = measured_bores(shape, shape, noise_mm=NOISE_MM, seed=seed, count=4000)
        assert measured.deviation is not None
        own = port(measured.samples, is_exact=False)
        found = piece_of(own, measured.deviation)
        errors.append((found.area_mm2 - np.pi * RADIUS_MM**2) / (found.area_U_mm2 / 2))
    spread = np.array(errors)
    assert 0.3 < np.sqrt((spread**2).mean()) < 1.1
    assert (np.abs(spread) < 2).mean() > 0.93


def test_a_noisy_scan_of_a_throat_finds_it_within_its_uncertainty() -> None:
    nominal, true = throat(15.0, 80.0, depth_mm=1.0), throat(15.0, 80.0, depth_mm=1.5)
    measured = measured_bores({"port": nominal}, {"port": true}, noise_mm=0.03)
    assert measured.deviation is not None
    own = port(measured.samples, is_exact=False)
    found = piece_of(own, measured.deviation, Systematic(scanner_mm=0.01, facets_mm=0.02, resolution_mm=0, strain=0))
    assert abs(found.area_mm2[found.least] - np.pi * 13.5**2) < found.area_U_mm2[found.least]
    assert own.sections[found.least].along_mm == pytest.approx(40.0, abs=4.0)


@pytest.mark.parametrize("shape", [straight(RADIUS_MM, LENGTH_MM), bend(BEND_MM, RADIUS_MM)])
def test_volume_of_a_larger_bore_is_that_of_the_larger_circle(shape: Shape) -> None:
    samples = bore_samples(shape)
    own = port(samples)
    deviation = deviation_at(samples, np.full(len(samples.points_mm), -0.3), sigma_mm=0.01)
    found = measure_volume(own, deviation, EXACT)
    assert isinstance(found, PortVolume)
    assert found.volume_mm3 == pytest.approx(np.pi * (RADIUS_MM + 0.3) ** 2 * own.line.length_mm, rel=1e-5)
    assert found.seen_share == pytest.approx(1.0)


def test_volume_counts_what_was_not_seen() -> None:
    samples = bore_samples(straight(RADIUS_MM, LENGTH_MM))
    off = np.where(samples.points_mm[:, 0] > 0, 0.1, -0.1)
    found = measure_volume(port(samples), deviation_at(samples, off, is_measured=half_seen(samples.points_mm)), EXACT)
    assert isinstance(found, PortVolume)
    assert found.seen_share == pytest.approx(1 - 0.5 * 30 / 80, abs=0.03)
    assert found.sigma_mm3[UNSEEN] == pytest.approx((1 - found.seen_share) * np.pi * 30 * 80 * 0.1, rel=0.05)


def test_where_the_moved_surface_leaves_the_plane_the_first_order_stands_in() -> None:
    """A cone larger by half a millimetre ends short of nominal's end plane."""
    samples = bore_samples(straight(RADIUS_MM, 40.0, end_radius_mm=5.0), Grid(24, 40))
    own = port(samples)
    found = piece_of(own, deviation_at(samples, np.full(len(samples.points_mm), -0.5)))
    slant = np.hypot(40.0, 10.0) / 40.0
    truth = np.array([np.pi * (np.sqrt(section.area_mm2 / np.pi) + 0.5 * slant) ** 2 for section in own.sections])
    assert found.area_mm2 == pytest.approx(truth, rel=2e-3)


def test_the_piece_itself_is_measured_where_it_sits() -> None:
    nominal = straight(RADIUS_MM, LENGTH_MM)
    measured = measured_bores({"port": nominal}, {"port": shifted(nominal, (0.0, 0.6, 0.0))}, noise_mm=0.01)
    assert measured.deviation is not None
    found = piece_of(port(measured.samples, is_exact=False), measured.deviation)
    assert found.offset_mm == pytest.approx(np.tile([0.0, 0.6, 0.0], (len(found.offset_mm), 1)), abs=0.02)

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.ports import bend, bore_samples, deviation_at, mirrored, shifted, straight
from worker.measuring.seen import NotMeasured
from worker.ports.piece import PortPiece, Systematic, measure_port
from worker.ports.sections import Port, port_of
from worker.ports.siblings import Match, SiblingOffsets, match_siblings, sibling_offsets
from worker.records import Floats, Samples

EXACT = Systematic(scanner_mm=0.0, facets_mm=0.0, resolution_mm=0.0, strain=0.0)
ORIGIN = np.zeros(3)
TUBE = shifted(straight(15.0, 80.0), (0.0, 0.0, 10.0))


def port(samples: Samples) -> Port:
    found = port_of(samples, np.ones(len(samples.points_mm), dtype=bool))
    assert isinstance(found, Port)
    return found


def piece(samples: Samples, off_mm: Floats) -> PortPiece:
    found = measure_port(port(samples), deviation_at(samples, off_mm), EXACT)
    assert isinstance(found, PortPiece)
    return found


def leaning(samples: Samples) -> Floats:
    """Deviation of a bore along z that leans to +x, by one millimetre at 100 mm of height either way."""
    share: Floats = np.abs(samples.points_mm[:, 2]) / 100 * samples.normals[:, 0]
    return share


def test_a_mirror_that_turns_the_line_round_still_compares_like_with_like() -> None:
    samples, image = bore_samples(TUBE), bore_samples(mirrored(TUBE, axis=2))
    own, other = port(samples), port(image)
    match = match_siblings(own, other, axis="z", point_mm=ORIGIN)
    assert isinstance(match, Match)
    assert match.is_reversed
    heights = np.array([section.outline.centroid_mm[2] for section in own.sections])
    theirs = np.array([other.sections[index].outline.centroid_mm[2] for index in match.nearest])
    assert theirs == pytest.approx(-heights, abs=1e-6)
    found = sibling_offsets(match, piece(samples, leaning(samples)), piece(image, leaning(image)))
    assert isinstance(found, SiblingOffsets)
    assert found.own_mm[:, 0] == pytest.approx(heights / 100, abs=0.01)
    assert np.abs(found.difference_mm).max() < 1e-3  # diagonals of facets lie the other way round


def test_without_a_mirror_the_translation_is_found() -> None:
    shape = bend(40.0, 15.0)
    found = match_siblings(
        port(bore_samples(shape)), port(bore_samples(shifted(shape, (5.0, -70.0, 3.0)))), axis=None, point_mm=None
    )
    assert isinstance(found, Match)
    assert found.translation_mm == pytest.approx([-5.0, 70.0, -3.0], abs=1e-6)
    assert found.misfit_mm < 1e-6


def test_a_mirror_image_is_no_moved_copy() -> None:
    shape = bend(40.0, 15.0)
    found = match_siblings(port(bore_samples(shape)), port(bore_samples(mirrored(shape))), axis=None, point_mm=None)
    assert isinstance(found, NotMeasured)
    assert "moved onto it" in found.reason


def test_sections_seen_of_one_port_only_are_not_compared() -> None:
    samples = bore_samples(TUBE)
    own = port(samples)
    match = match_siblings(own, own, axis=None, point_mm=None)
    assert isinstance(match, Match)
    whole = piece(samples, np.zeros(len(samples.points_mm)))
    none_seen = replace(whole, is_measured=np.zeros(len(whole.is_measured), dtype=bool))
    assert isinstance(sibling_offsets(match, whole, none_seen), NotMeasured)

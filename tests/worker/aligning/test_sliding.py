"""Weak motions on trial: a keyway is heard, facets and rims are not."""

from __future__ import annotations

import numpy as np
import pytest

from worker.aligning.pairs import Pairs
from worker.aligning.sliding import SlideSettings, is_held, noticed_share, push_length_mm
from worker.records import Bools, Floats

SETTINGS = SlideSettings()
COUNT = 10_000
PUSH_MM = 0.2


def _pairs(residual_mm: Floats, *, is_exact: bool = False, direction: Floats | None = None) -> Pairs:
    every: Bools = np.ones(COUNT, dtype=np.bool_)
    own = np.tile([0.0, 0.0, 1.0], (COUNT, 1)) if direction is None else direction
    return Pairs(residual_mm, own, every, np.ones(COUNT), np.zeros(COUNT, dtype=np.int64), every & is_exact)


def _slope(share: float, slope: float) -> tuple[Pairs, tuple[Pairs, Pairs]]:
    """A share of the points stands across the motion with this slope, the rest along it; noise on all."""
    noise = np.random.default_rng(0).normal(0, 0.02, COUNT)
    change = np.where(np.arange(COUNT) < share * COUNT, slope * PUSH_MM, 0.0)
    return _pairs(noise), (_pairs(noise + change), _pairs(noise - change))


def test_keyway_of_a_thousandth_of_the_area_is_noticed_at_its_worth() -> None:
    before, pushed = _slope(share=0.001, slope=1.0)
    assert noticed_share(before, pushed, PUSH_MM, SETTINGS) == pytest.approx(0.001, rel=1e-6)


def test_facets_all_over_are_not_noticed() -> None:
    before, pushed = _slope(share=1.0, slope=0.1)
    assert noticed_share(before, pushed, PUSH_MM, SETTINGS) == 0.0


def test_shallow_taper_of_an_exact_cone_is_noticed() -> None:
    before, (there, back) = _slope(share=1.0, slope=0.1)
    exact = [_pairs(pairs.residual_mm, is_exact=True) for pairs in (before, there, back)]
    assert noticed_share(exact[0], (exact[1], exact[2]), PUSH_MM, SETTINGS) == pytest.approx(0.01, rel=1e-6)


def test_points_that_change_to_another_face_are_no_hold() -> None:
    before, (there, back) = _slope(share=0.1, slope=1.0)
    sideways = np.tile([1.0, 0.0, 0.0], (COUNT, 1))
    turned = [_pairs(pairs.residual_mm, direction=sideways) for pairs in (there, back)]
    assert noticed_share(before, (turned[0], turned[1]), PUSH_MM, SETTINGS) == 0.0


def test_held_is_strong_or_weak_but_noticed() -> None:
    eigenvalues = np.array([1e-5, 1e-4, 5e-3, 0.1, 0.5, 1.0])
    noticed = np.array([0.0, 3e-4, 0.0, 0.0, 0.0, 0.0])
    np.testing.assert_array_equal(is_held(eigenvalues, noticed, SETTINGS), [False, True, False, True, True, True])


@pytest.mark.parametrize(("sigma_mm", "expected"), [(0.02, 0.23), (0.1, 1.0)])
def test_push_stands_out_of_noise_and_facets(sigma_mm: float, expected: float) -> None:
    assert push_length_mm(sigma_mm, 230.0, SETTINGS) == pytest.approx(expected)

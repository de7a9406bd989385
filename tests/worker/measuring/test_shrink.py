from __future__ import annotations

import numpy as np
import pytest

from worker.measuring.shrink import summarise, without_shrink
from worker.records import Shrink


def _shrunk(scale: float) -> Shrink:
    return Shrink(np.full(3, scale), np.zeros((3, 3)), scale, 0.0, np.ones(3, dtype=bool), np.array([10.0, 0.0, 0.0]))


@pytest.mark.parametrize(
    ("sixty_fourths", "on_casting_percent", "on_pattern_percent"),
    [(6, 0.78125, 0.77519), (8, 1.0417, 1.0309), (10, 1.3021, 1.2854), (12, 1.5625, 1.5385), (16, 2.0833, 2.0408)],
)
def test_shrink_is_told_of_the_castings_length_as_pattern_makers_state_it(
    sixty_fourths: int, on_casting_percent: float, on_pattern_percent: float
) -> None:
    """Inches per foot of casting a: 1 + a / 12 = 1 / (1 - s), where s is the contraction of the pattern.

    A pattern made larger by a / 12 that contracts by s leaves a casting of nominal size; it has shrunk by a / 12
    of its own length.
    """
    allowance = 100 * sixty_fourths / 64 / 12
    assert allowance == pytest.approx(on_casting_percent, abs=5e-5)
    scale = (1 + allowance / 100) * (1 - on_pattern_percent / 100)
    assert scale == pytest.approx(1.0, abs=1e-6)
    found = summarise(_shrunk(scale), allowance)
    assert found is not None
    assert found.percent == pytest.approx(on_casting_percent, abs=2e-4)


def test_a_tenth_of_a_percent_over_half_a_metre_is_half_a_millimetre() -> None:
    """What an allowance wrong by 0.1 % costs on 500 mm."""
    freed = without_shrink(np.array([[510.0, 0.0, 0.0]]), _shrunk(0.999))
    assert freed[0, 0] - 510.0 == pytest.approx(0.5, abs=1e-3)

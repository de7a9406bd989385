"""The search over all moves, with margins that have closed forms in place of a piece."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from worker.records import Bools, Floats
from worker.whatif.branching import BranchSettings, highest, shortest
from worker.whatif.estimate import Estimate, Spent
from worker.whatif.rates import Rates

SETTINGS = BranchSettings()
RESOLUTION_MM = SETTINGS.resolution_mm


@dataclass
class Known:
    """Margins by formula, each changing by no more than the move goes."""

    margins: Callable[[Floats], Floats]
    most_mm: Sequence[float]
    most_asked: int = 1_000_000
    asked: int = 0
    is_light: Bools = field(default_factory=lambda: np.array([True]))

    def __post_init__(self) -> None:
        count = len(self.margins(np.zeros((1, len(self.most_mm))))[0])
        numbers = np.arange(len(self.most_mm))
        self.rates = Rates(np.ones((count, len(numbers))), (numbers,))
        self.problem = SimpleNamespace(most_mm=np.array(self.most_mm))

    def look(self, box_mm: tuple[Floats, Floats], slack: float, _level: float, _wanted: float) -> Any:
        self.asked += 1
        if self.asked > self.most_asked:
            raise Spent
        found = self.margins(box_mm[0][None])[0]
        return found, found + self.rates.reach(box_mm[1][None])[0] + slack


def estimate(margins: Callable[[Floats], Floats], *most_mm: float, **rest: Any) -> Estimate:
    return cast("Estimate", Known(margins, most_mm, **rest))


def outside_ball(centre: list[float], radius: float) -> Callable[[Floats], Floats]:
    """Clear of a ball: one margin, not bent one way."""
    return lambda moves: (np.linalg.norm(moves - np.array(centre), axis=1) - radius)[:, None]


@pytest.mark.parametrize("centre", [[0.1, 0.0], [0.05, 0.1], [0.1, 0.05, -0.08]])
def test_the_shortest_way_out_of_a_ball_is_its_radius_less_how_far_inside(centre: list[float]) -> None:
    found = shortest(estimate(outside_ball(centre, 0.4), *[0.8] * len(centre)), SETTINGS, 0.0, 0.0)
    exact = 0.4 - float(np.linalg.norm(centre))
    assert found.move_mm is not None
    assert found.bound <= exact <= found.value
    assert found.value - found.bound <= 2 * RESOLUTION_MM


def test_of_two_ways_out_the_nearer_is_found_though_the_slope_leads_to_the_other() -> None:
    """Margin 0.05 - |x - 0.3| or |x| past -0.2; uphill from nothing leads to 0.3, the way to -0.2 is shorter."""

    def margins(moves: Floats) -> Floats:
        x = moves[:, 0]
        return np.maximum(0.05 - np.abs(x - 0.35), -0.2 - x)[:, None]

    found = shortest(estimate(margins, 0.5), SETTINGS, 0.0, 0.0)
    assert found.move_mm == pytest.approx([-0.2], abs=2 * RESOLUTION_MM)


def test_walls_that_leave_no_room_have_the_level_midway() -> None:
    """x and -0.1 - x: at best -0.05 each."""
    pair = estimate(lambda moves: np.column_stack([moves[:, 0], -0.1 - moves[:, 0]]), 0.5)
    none, best = shortest(pair, SETTINGS, 0.0, 0.0), highest(pair, SETTINGS, 0.0)
    assert none.move_mm is None
    assert none.bound == np.inf
    assert best.value == pytest.approx(-0.05, abs=SETTINGS.level_tolerance)
    assert -0.05 <= best.bound <= best.value + SETTINGS.level_tolerance + 1e-12


def test_slack_lowers_what_is_excluded() -> None:
    tight, loose = (shortest(estimate(outside_ball([0.0, 0.0], 0.3), 0.6, 0.6), SETTINGS, s, 0.0) for s in (0.0, 0.05))
    assert loose.bound == pytest.approx(tight.bound - 0.05, abs=2 * RESOLUTION_MM)


def test_a_search_that_is_cut_short_still_bounds_what_is_left() -> None:
    exact = 0.4
    found = shortest(estimate(outside_ball([0.0, 0.0, 0.0], exact), 0.8, 0.8, 0.8, most_asked=300), SETTINGS, 0.0, 0.0)
    assert not found.is_whole
    assert 0.0 <= found.bound <= exact

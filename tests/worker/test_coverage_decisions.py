"""The decisions' part of the coverage benchmark: its truths are those of the drawing, and intervals hold them."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import pytest
from scipy.stats import binom

from tests.benchmarks import coverage
from tests.benchmarks.coverage_decisions_truth import DecisionTruth
from tests.benchmarks.coverage_piece import Fault, Piece
from tests.benchmarks.coverage_run import Row, bench, inspected
from tests.support.decision_part import BAR_HALF_MM, SHAPES

STATED, ALMOST_NEVER = 0.95, 1e-4
STREWN_MM = 2e-3  # of places half a millimetre apart on bores
ROD = np.array([108.0, 20.0, -5.0]), np.array([108.0, 20.0, 41.0])


def _truth(**faults: Fault) -> DecisionTruth:
    named = {name.replace("_", " "): fault for name, fault in faults.items()}
    piece = Piece(faults=named, scale=1.0, noise_mm=0.0, missing=None, is_missing_ball=False, shapes=SHAPES)
    return DecisionTruth(bench("decisions").part, piece)


@pytest.mark.parametrize(
    ("told", "drawn"),
    [
        (lambda truth: truth.wall_to_core("port 1"), 30 - 9 - 16),
        (lambda truth: truth.wall_to_core("bolt 2"), 42.5 - 3.4 - 36),
        (lambda truth: truth.wall_of_bores("port 1", "bolt 1"), 42.5 - 25 - 9 - 3.4),
        (lambda truth: truth.metal("bolt 1"), 42.5 - 25 - 9 - 3.4),
        (lambda truth: truth.metal("bolt 4"), 14 - 8 - 3.4),
        (lambda truth: truth.depth("pocket floor", "top", "guide"), 6.0),
        (lambda truth: truth.section_offset("guide", "throat", 11.0, None), 0.0),
        (lambda truth: truth.siblings_apart("bolt 1", "bolt 2", np.ones(3)), 0.0),
        (lambda truth: truth.chamber_cc(), np.pi * 64 * (36 - 8) / 3 / 1000),  # cap 8 mm high of a ball of 12
        (lambda truth: truth.pocket_cc(), np.pi * 100 * 6 / 1000),
        (lambda truth: truth.least_area("port 3"), np.pi * 36),
        (lambda truth: truth.volume("port 2"), np.pi * 81 * 80),
        (lambda truth: truth.volume("port 3"), np.pi * 50 / 3 * (36 + 48 + 64)),  # frustum of radii 6 and 8
        (lambda truth: truth.bracket_clearance(), 50 - 36 - 11),
        (lambda truth: truth.bar_clearance(), 12 - np.hypot(BAR_HALF_MM[0], BAR_HALF_MM[2])),
        (lambda truth: truth.rod_gap(*ROD, 6.0), 1.0),
        (lambda truth: truth.metal_at_site(np.array([60.0, 40.0, 50.0]), 2.5, 8.0), 42 - 39 - 2.5),
    ],
)
def test_truths_of_a_perfect_piece_are_those_of_the_drawing(
    told: Callable[[DecisionTruth], float], drawn: float
) -> None:
    assert told(_truth()) == pytest.approx(drawn, abs=STREWN_MM, rel=1e-6)


def test_truths_follow_what_is_planted() -> None:
    """A core 0.2 mm up and a port 0.1 mm larger in radius and 0.3 mm lower: the wall loses the sum."""
    truth = _truth(core=Fault(shift_mm=(0.0, 0.0, 0.2)), port_1=Fault(shift_mm=(0.0, 0.3, 0.0), growth_mm=0.1))
    down = SHAPES["port 1"].axes[1, 2]  # type: ignore[union-attr]  # a round shape has axes
    assert truth.wall_to_core("port 1") == pytest.approx(5.0 - 0.2 - 0.1 + 0.3 * down, abs=STREWN_MM)
    assert truth.ports_apart("port 1", "port 2", is_mirrored=False) == pytest.approx(0.3)
    assert truth.least_area("port 1") == pytest.approx(np.pi * 9.1**2)


@lru_cache(maxsize=1)
def rows() -> tuple[Row, ...]:
    return tuple(inspected(2, 1, part="decisions"))


def test_most_intervals_of_the_decisions_hold_the_truth() -> None:
    """Fewer than the binomial distribution gives once in ten thousand would show; lines of one port err together."""
    held = coverage.covered(rows())
    independent = round(len(held) / 2)
    assert len(held) > 15
    assert np.mean(held) >= binom.ppf(ALMOST_NEVER, independent, STATED) / independent


def test_every_group_of_lines_is_in_the_table() -> None:
    text = "\n".join(coverage.table(rows()))
    assert {row.group for row in rows()} == {line.group for line in bench("decisions").lines}
    assert all(row.group in text for row in rows())

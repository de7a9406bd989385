"""One simulated inspection of the coverage benchmark: most intervals hold the truth; the referee is right."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy.stats import binom

from tests.benchmarks import coverage
from tests.benchmarks.coverage_piece import PERFECT, Fault, Piece, random_piece, scan_of
from tests.benchmarks.coverage_run import Row, bench, inspected, measured_piece, nudged
from tests.benchmarks.coverage_truth import Truth
from tests.benchmarks.coverage_zones import least_band, least_round_band
from worker.judging.characteristics import judge_plan

INSPECTIONS = (3,)  # some seventy lines; the benchmark makes a thousand inspections
STATED = 0.95
ALMOST_NEVER = 1e-4


@lru_cache(maxsize=1)
def rows() -> tuple[Row, ...]:
    return tuple(row for number in INSPECTIONS for row in inspected(number, 11))


def test_most_intervals_hold_the_truth() -> None:
    """Fewer than the binomial distribution gives once in ten thousand would show; errors of one scan hang together."""
    held = coverage.covered(rows())
    independent = len(held) / 3  # lines of one frame, or of one feature, err together
    least = binom.ppf(ALMOST_NEVER, round(independent), STATED) / round(independent)
    assert len(held) > 30
    assert np.mean(held) >= least


def test_intervals_that_are_half_as_wide_do_not_hold_it() -> None:
    """The check above can fail: two thirds is what half of U holds."""
    known = [row for row in coverage.judged(rows()) if not coverage.is_near_zero(row)]
    error = np.abs([(row.measured or 0.0) - (row.truth or 0.0) for row in known])
    assert np.mean(error <= 0.5 * np.array([row.U for row in known])) < 0.9


def test_the_table_names_every_kind_of_line() -> None:
    text = "\n".join(coverage.table(rows()))
    assert all(row.group in text for row in rows())


@pytest.mark.parametrize("bow_mm", [0.0, 0.03])
def test_a_hollow_bottom_rests_on_its_ends(bow_mm: float) -> None:
    """So that the bottom's middle lies its bow above the datum plane."""
    faults = {"bottom": Fault(bow_mm=bow_mm)} if bow_mm else {"bottom": PERFECT}
    piece = Piece(faults=faults, scale=1.0, noise_mm=0.01, missing=None, is_missing_ball=False)
    placed = Truth(bench().part, piece).placed("bottom", np.array([[0.0, 35.0, 0.0], [50.0, 35.0, 0.0]]))
    assert placed[:, 2] == pytest.approx([0.0, bow_mm])


def test_the_least_zone_of_a_saddle_is_twice_its_corners() -> None:
    """ISO 1101: corners (+-1, +-1) at +-h need 2 h however the planes turn."""
    corners = np.array([[1.0, 1.0], [1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0]])
    assert least_band(0.02 * corners[:, 0] * corners[:, 1], corners) == pytest.approx(0.04)


def test_the_least_ring_of_a_lobed_circle_is_twice_its_waves() -> None:
    angle = 2 * np.pi * np.arange(120) / 120
    radius = 5.0 + 0.03 * np.cos(3 * angle)
    across = radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)]) + [0.1, -0.05]
    assert least_round_band(across) == pytest.approx(0.06, abs=1e-4)


def test_the_same_number_makes_the_same_piece() -> None:
    first, second = (random_piece(np.random.default_rng(5)) for _ in range(2))
    assert first.faults == second.faults
    assert first.noise_mm == second.noise_mm


def test_form_of_a_bore_seen_on_one_side_stays_within_its_uncertainty() -> None:
    """Lobes that nothing holds on the unseen side were read as millimetres of form."""
    shared = bench()
    rng = np.random.default_rng(8)
    piece = Piece(
        faults={}, scale=1.0, noise_mm=0.02, missing=None, is_missing_ball=False, blind={"hole 4": (1.0, 2.5)}
    )
    scan, pose = scan_of(shared.part, piece, rng, 20_000)
    measured = measured_piece(shared, scan, nudged(pose, rng), 0)
    picked = [line for line in shared.plan.characteristics if line.kind in ("roundness", "cylindricity")]
    own = [line for line in picked if line.feature.id == shared.part.features["hole 4"].id]
    plan = shared.plan.model_copy(update={"characteristics": tuple(own)})
    values = [line.measured or 0.0 for line in judge_plan(plan, measured)]
    assert len(values) == 2
    assert max(values) < 0.05

"""Plots: area counts, bytes repeat, any name can be drawn."""

from __future__ import annotations

import numpy as np
import pytest

from worker.reporting.plots import CoverageBar, Histogram, coverage_plot, deviation_plot, histogram, wall_plot


@pytest.fixture(scope="module")
def counted() -> Histogram:
    values = np.linspace(-0.5, 0.5, 1001)
    return histogram(values, np.ones(1001, dtype=np.bool_), np.ones(1001), (-0.6, 0.6))


def test_histogram_counts_area_not_samples() -> None:
    found = histogram(np.array([0.0, 0.3]), np.array([True, True]), np.array([3.0, 1.0]), (-0.6, 0.6))
    assert sorted(found.area_mm2[found.area_mm2 > 0]) == [1.0, 3.0]


def test_histogram_leaves_out_what_was_not_measured() -> None:
    found = histogram(np.array([0.0, np.nan]), np.array([True, False]), np.array([3.0, 1.0]), (-0.6, 0.6))
    assert found.area_mm2.sum() == 3.0


def test_values_beyond_the_span_are_counted_at_its_ends() -> None:
    found = histogram(np.array([9.0, -9.0]), np.array([True, True]), np.array([2.0, 1.0]), (-0.6, 0.6))
    assert (found.area_mm2[0], found.area_mm2[-1]) == (1.0, 2.0)


def test_same_plot_twice_is_the_same_bytes(counted: Histogram) -> None:
    assert deviation_plot(counted, 0.15) == deviation_plot(counted, 0.15)


def test_plot_carries_no_date(counted: Histogram) -> None:
    assert "<dc:date>" not in wall_plot(counted, counted, 0.2)


@pytest.mark.parametrize("name", ["水套 $x_2$", "line\nbreak\x00", "<script>alert(1)</script>", "x" * 300])
def test_any_name_can_be_drawn(name: str) -> None:
    svg = coverage_plot([CoverageBar(name, 0.4, 10.0)])
    assert svg.startswith("<?xml")
    assert "<script" not in svg


def test_plot_of_nothing_measured_is_still_a_plot() -> None:
    nothing = histogram(np.zeros(2), np.zeros(2, dtype=np.bool_), np.ones(2), (-1.0, 1.0))
    assert "<svg" in deviation_plot(nothing, 0.1)

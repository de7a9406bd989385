"""Coverage factors against the published table."""

from __future__ import annotations

import pytest
from scipy import stats

from shared.student import coverage_factor, covered_share

# JCGM 100:2008 (GUM), Table G.2, from memory: t for 95.45 %, 95 % and 99 %
TABLE = [
    (1, 0.9545, 13.97), (2, 0.9545, 4.53), (3, 0.9545, 3.31), (4, 0.9545, 2.87), (5, 0.9545, 2.65), (9, 0.9545, 2.32),
    (10, 0.9545, 2.28), (19, 0.9545, 2.14), (20, 0.9545, 2.13), (50, 0.9545, 2.05), (100, 0.9545, 2.025),
    (5, 0.95, 2.57), (10, 0.95, 2.23), (16, 0.99, 2.92), (20, 0.99, 2.85),
]  # fmt: skip


@pytest.mark.parametrize(("dof", "covered", "k"), TABLE)
def test_the_factor_is_that_of_the_table(dof: int, covered: float, k: float) -> None:
    assert coverage_factor(dof, covered) == pytest.approx(k, abs=0.0051)


@pytest.mark.parametrize("dof", [1, 2, 3, 7, 8, 19, 200])
def test_the_factor_is_that_of_an_independent_library(dof: int) -> None:
    assert coverage_factor(dof, 0.9545) == pytest.approx(float(stats.t.ppf((1 + 0.9545) / 2, dof)), rel=1e-10)
    assert covered_share(1.3, dof) == pytest.approx(float(1 - 2 * stats.t.sf(1.3, dof)), rel=1e-12)


def test_many_degrees_of_freedom_give_two() -> None:
    assert coverage_factor(5000) == pytest.approx(2.0, abs=1e-3)


@pytest.mark.parametrize(("dof", "covered"), [(0, 0.95), (3, 0.0), (3, 1.0)])
def test_no_degree_of_freedom_gives_no_factor(dof: int, covered: float) -> None:
    with pytest.raises(ValueError, match="degree of freedom"):
        coverage_factor(dof, covered)

"""From the uncertainties of the inputs to that of a characteristic: by the law of propagation, and by Monte Carlo.

A model takes the departures of all inputs from their estimates, many cases at once, and returns the
value in each case.  Both ways use the same model, so that one checks the other.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import stats

from worker.records import Floats

COVERAGE_PROBABILITY = 0.954499736103642  # of the normal distribution within k = 2
CHANCE_DRAWS = 2000  # tell the quantile to two hundredths
MOST_DOF = 1e6  # beyond it a t factor is the normal one


class Shape(StrEnum):
    """Distribution of an input (JCGM 101:2008, 6.4); normal becomes scaled t where its dof are finite."""

    NORMAL = "normal"
    UNIFORM = "uniform"
    ARCSINE = "arcsine"


@dataclass(frozen=True, eq=False)
class Input:
    """One source of uncertainty: the departures of ``p`` quantities from their estimates.

    covariance : (p, p) of those quantities, in their own units;  dof : behind it
    """

    name: str
    covariance: Floats
    dof: float = np.inf
    shape: Shape = Shape.NORMAL

    @classmethod
    def single(cls, name: str, sigma: float, dof: float = np.inf, shape: Shape = Shape.NORMAL) -> Input:
        """One quantity with its standard uncertainty."""
        return cls(name, np.array([[sigma**2]]), dof, shape)


Departures = Mapping[str, Floats]  # by the input's name, (n, p)
Model = Callable[[Departures], Floats]  # to (n,)


@dataclass(frozen=True, eq=False)
class Propagated:
    """Result of the law of propagation.

    contributions : standard uncertainty of the value by source
    sigma : combined standard uncertainty;  dof : effective (Welch and Satterthwaite);  U = k * sigma
    """

    value: float
    contributions: Mapping[str, float]
    sigma: float
    dof: float
    k: float
    U: float


@dataclass(frozen=True, eq=False)
class Simulated:
    """Result of Monte Carlo: U is the least that holds the coverage probability of ``draws`` about ``value``."""

    value: float
    mean: float
    sigma: float
    U: float
    draws: Floats


def additive(names: Sequence[str], value: float) -> Model:
    """The model of inputs that simply add to the value: single quantities in its own unit."""

    def total(departures: Departures) -> Floats:
        summed: Floats = value + np.sum([departures[name][:, 0] for name in names], axis=0)
        return summed

    return total


def propagate(
    model: Model, inputs: Sequence[Input], *, coverage: float = COVERAGE_PROBABILITY, least: float = -np.inf
) -> Propagated:
    """Combined and expanded uncertainty (JCGM 100:2008, 5.1.2, G.4).

    The change of the value is taken over a whole standard deviation along each principal direction of
    an input (JCGM 100:2008, 5.1.3 note 2), the larger of both ways: a length lost in its own noise has
    no slope there, and yet is not certain.
    least : value the characteristic cannot go below; it does not shorten U
    """
    steps = [(entry, _principal_steps(entry.covariance)) for entry in inputs]
    case_count = 1 + 2 * sum(len(rows) for _, rows in steps)
    departures = {entry.name: np.zeros((case_count, len(entry.covariance))) for entry in inputs}
    at = 1
    places: dict[str, tuple[int, int]] = {}
    for entry, rows in steps:
        departures[entry.name][at : at + len(rows)] = rows
        departures[entry.name][at + len(rows) : at + 2 * len(rows)] = -rows
        places[entry.name] = (at, len(rows))
        at += 2 * len(rows)
    values = np.maximum(model(departures), least)
    change = np.abs(values - values[0])
    contributions = {
        name: float(np.sqrt((np.maximum(change[start : start + n], change[start + n : start + 2 * n]) ** 2).sum()))
        for name, (start, n) in places.items()
    }
    return combined(float(values[0]), contributions, {entry.name: entry.dof for entry in inputs}, coverage=coverage)


def combined(
    value: float,
    contributions: Mapping[str, float],
    dof: Mapping[str, float] | None = None,
    *,
    coverage: float = COVERAGE_PROBABILITY,
) -> Propagated:
    """Root of the sum of squares, effective degrees of freedom, and U."""
    sigma = float(np.sqrt(sum(part**2 for part in contributions.values())))
    effective = effective_dof(sigma, contributions, dof or {})
    k = coverage_factor(effective, coverage)
    return Propagated(value, dict(contributions), sigma, effective, k, k * sigma)


def effective_dof(sigma: float, contributions: Mapping[str, float], dof: Mapping[str, float]) -> float:
    """Welch and Satterthwaite (JCGM 100:2008, G.4.1); infinite where no source is limited."""
    terms = [part**4 / dof[name] for name, part in contributions.items() if np.isfinite(dof.get(name, np.inf))]
    total = sum(terms)
    return sigma**4 / total if total > 0 else np.inf


def coverage_factor(dof: float, coverage: float = COVERAGE_PROBABILITY) -> float:
    """Two-sided factor of Student's t (JCGM 100:2008, G.3)."""
    if dof > MOST_DOF:
        return float(stats.norm.ppf((1 + coverage) / 2))
    return float(stats.t.ppf((1 + coverage) / 2, dof))


def simulate(
    model: Model, inputs: Sequence[Input], *, draws: int, rng: np.random.Generator, least: float = -np.inf
) -> Simulated:
    """Propagation of distributions (JCGM 101:2008, 7).

    The interval is taken about the measured value, not about the mean of the draws, so that the bias
    of a length lost in its own noise widens it.
    """
    value = float(np.maximum(model({entry.name: np.zeros((1, len(entry.covariance))) for entry in inputs}), least)[0])
    found = np.maximum(model({entry.name: _drawn(entry, draws, rng) for entry in inputs}), least)
    U = float(np.quantile(np.abs(found - value), COVERAGE_PROBABILITY))
    return Simulated(value, float(found.mean()), float(found.std(ddof=1)), U, found)


def length_by_chance(parts: Model, inputs: Sequence[Input]) -> float:
    """Length that chance alone gives vectors that are truly nothing, at the coverage probability.

    parts : departures to vectors (n, p, d), of which the longest counts

    Twice the standard deviation holds a single number; the length of an error in two directions is within
    it in 86 cases of 100 only (Rayleigh's distribution).
    """
    rng = rng_of(0, "length by chance")
    still = parts({entry.name: np.zeros((1, len(entry.covariance))) for entry in inputs})
    moved = parts({entry.name: _drawn(entry, CHANCE_DRAWS, rng) for entry in inputs}) - still
    return float(np.quantile(np.linalg.norm(moved, axis=2).max(axis=1), COVERAGE_PROBABILITY))


def rng_of(seed: int, name: str) -> np.random.Generator:
    """Chance of its own for each characteristic, the same whatever else the plan holds."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def _principal_steps(covariance: Floats) -> Floats:
    """One standard deviation along each principal direction (r, p), those of no extent left out."""
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-15 * max(float(values[-1]), 1e-300)
    steps: Floats = (vectors[:, kept] * np.sqrt(values[kept])).T
    return steps


def _drawn(entry: Input, count: int, rng: np.random.Generator) -> Floats:
    steps = _principal_steps(entry.covariance)
    if entry.shape is Shape.UNIFORM:
        unit = rng.uniform(-np.sqrt(3.0), np.sqrt(3.0), (count, len(steps)))
    elif entry.shape is Shape.ARCSINE:
        unit = np.sqrt(2.0) * np.sin(2 * np.pi * rng.random((count, len(steps))))
    else:
        unit = rng.standard_normal((count, len(steps)))
        if entry.dof < MOST_DOF:
            unit = unit * np.sqrt(entry.dof / rng.chisquare(entry.dof, (count, 1)))
    moved: Floats = unit @ steps
    return moved

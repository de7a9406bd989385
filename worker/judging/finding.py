"""What measuring one characteristic gives, before it is judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from shared.tolerances.resolve import ResolvedLimits
from worker.exhibits import NOTHING, Exhibits
from worker.judging.propagation import Input, Model, additive
from worker.records import Bools, Floats

Details = Mapping[str, float | str | tuple[float, ...] | None]


@dataclass(frozen=True, eq=False, kw_only=True)
class Finding:
    """A measured characteristic, in its own unit.

    inputs, model : the sources of its uncertainty, and how the value depends on them
    least : value the characteristic cannot go below
    gap : why it may not pass although the value would, such as too much left unseen; a value
        that fails fails all the same
    is_assumed : the figure rests on nominal where nothing was scanned, as ``gap`` says: it may not fail either
    bonus_mm : what the size of the feature adds to its upper limit
    nominal, limits : where they depend on the place that counts
    by_chance : length that chance alone gives a vector that is truly nothing, at the coverage probability
    exhibits : what it shows beside its figure
    caution : what somebody who acts on the figure must be told beside it
    """

    inputs: tuple[Input, ...]
    model: Model
    least: float = -np.inf
    bonus_mm: float = 0.0
    point_mm: Floats | None = None
    details: Details = field(default_factory=dict)
    sample_mask: Bools | None = None
    gap: str | None = None
    is_assumed: bool = False
    frame: str | None = None
    nominal: float | None = None
    limits: ResolvedLimits | None = None
    by_chance: float = 0.0
    exhibits: Exhibits = NOTHING
    caution: str | None = None


def plain_finding(  # noqa: PLR0913 - the plain form of a record of many fields
    value: float,
    budget: Mapping[str, float],
    *,
    dof: Mapping[str, float] | None = None,
    least: float = -np.inf,
    point_mm: Floats | None = None,
    details: Details | None = None,
    sample_mask: Bools | None = None,
    gap: str | None = None,
    is_assumed: bool = False,
    frame: str | None = None,
    nominal: float | None = None,
    limits: ResolvedLimits | None = None,
    exhibits: Exhibits = NOTHING,
    caution: str | None = None,
) -> Finding:
    """A finding whose sources simply add: standard uncertainties in the characteristic's own unit."""
    known = dof or {}
    inputs = tuple(Input.single(name, sigma, known.get(name, np.inf)) for name, sigma in budget.items())
    return Finding(
        inputs=inputs,
        model=additive([entry.name for entry in inputs], value),
        least=least,
        point_mm=point_mm,
        details=details or {},
        sample_mask=sample_mask,
        gap=gap,
        is_assumed=is_assumed,
        frame=frame,
        nominal=nominal,
        limits=limits,
        exhibits=exhibits,
        caution=caution,
    )


@dataclass(frozen=True, eq=False)
class Unmeasured:
    """Why a characteristic could not be measured, and what can be shown all the same."""

    reason: str
    point_mm: Floats | None = None
    details: Details = field(default_factory=dict)
    sample_mask: Bools | None = None
    exhibits: Exhibits = NOTHING
    caution: str | None = None


def row(vector: Floats) -> tuple[float, ...]:
    """A vector as the details of a finding hold it."""
    return tuple(float(part) for part in vector)

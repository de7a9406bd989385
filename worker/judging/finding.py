"""What measuring one characteristic gives, before it is judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from worker.records import Bools, Floats

Details = Mapping[str, float | str | tuple[float, ...] | None]


@dataclass(frozen=True, eq=False, kw_only=True)
class Finding:
    """A measured characteristic, in its own unit.

    budget : standard uncertainties by source
    gap : why it may not pass although the value would, such as too much left unseen; a value
        that fails fails all the same
    """

    value: float
    nominal: float | None
    budget: Mapping[str, float]
    point_mm: Floats | None = None
    details: Details = field(default_factory=dict)
    sample_mask: Bools | None = None
    gap: str | None = None


@dataclass(frozen=True, eq=False)
class Unmeasured:
    """Why a characteristic could not be measured."""

    reason: str
    point_mm: Floats | None = None
    details: Details = field(default_factory=dict)
    sample_mask: Bools | None = None

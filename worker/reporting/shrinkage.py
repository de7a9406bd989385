"""Shrink of the piece in the pattern maker's words, beside what handbooks allow."""

from __future__ import annotations

from types import MappingProxyType

from shared.report import ShrinkAllowance, ShrinkSummary
from worker.records import Shrink
from worker.reporting.inspected import Allowance

PERCENT_PER_INCH_PER_FOOT = 100 / 12  # on the casting's length: 5/32 in per foot is 1.302 %
ALL_AXES = 3

# Pattern maker's contraction, inches per foot of casting.  First: W. H. Dooley, "Applied Science for
# Metal Workers" (public domain).  Second: trade handbooks, second-hand.  They differ, which is the point.
_DOOLEY, _TRADE = "Dooley, Applied Science for Metal Workers", "trade handbooks, second-hand"
_SHOP_TABLE = MappingProxyType(
    {
        "aluminium": ((7, 32, _DOOLEY), (5, 32, _TRADE)),
        "brass": ((3, 16, _DOOLEY), (3, 16, _TRADE)),
        "bronze": ((5, 32, _DOOLEY), (3, 16, _TRADE)),
        "grey iron": ((3, 32, _DOOLEY), (1, 8, _TRADE)),
        "magnesium": ((5, 32, _TRADE),),
        "steel": ((3, 16, _DOOLEY), (1, 4, _TRADE)),
        "zinc": ((7, 32, _DOOLEY), (5, 16, _TRADE)),
    }
)
_NAMES = MappingProxyType(
    {
        "aluminum": "aluminium",
        "al": "aluminium",
        "iron": "grey iron",
        "gray iron": "grey iron",
        "cast iron": "grey iron",
    }
)
NOTE = (
    "Counted with the allowance in the pattern: (1 + allowance) / scale - 1, "
    "percent of the piece's own length, so that a print and a casting read alike."
)


def shrink_summary(found: Shrink, allowance: Allowance) -> ShrinkSummary:
    """Percent from scale: p = 100 ((1 + a) / s - 1), U from dp/ds at k = 2."""
    enlarged = 1 + allowance.percent / 100
    variances = found.covariance_xyz.diagonal()
    axes = range(ALL_AXES)
    seen = [bool(found.is_measured[k]) for k in axes]
    scales = [float(found.scale_xyz[k]) if seen[k] else None for k in axes]
    percents = [None if scale is None else _percent(scale, enlarged) for scale in scales]
    U = [None if s is None else _expanded(s, enlarged, float(variances[k]) ** 0.5) for k, s in enumerate(scales)]
    return ShrinkSummary(
        scale=found.scale,
        scale_xyz=(scales[0], scales[1], scales[2]),
        percent=_percent(found.scale, enlarged),
        U_percent=_expanded(found.scale, enlarged, found.scale_sigma),
        percent_xyz=(percents[0], percents[1], percents[2]),
        U_percent_xyz=(U[0], U[1], U[2]),
        allowance_percent=allowance.percent,
        allowance_source=allowance.source,
        handbook=handbook(allowance.alloy),
        note=NOTE,
    )


def handbook(alloy: str | None) -> list[ShrinkAllowance]:
    """Published allowances for the alloy, or for all where it is not named or not known."""
    wanted = (alloy or "").strip().lower()
    wanted = _NAMES.get(wanted, wanted)
    chosen = [wanted] if wanted in _SHOP_TABLE else sorted(_SHOP_TABLE)
    return [_allowance(name, *entry) for name in chosen for entry in _SHOP_TABLE[name]]


def _allowance(alloy: str, over: int, under: int, source: str) -> ShrinkAllowance:
    percent = over / under * PERCENT_PER_INCH_PER_FOOT
    return ShrinkAllowance(alloy=alloy, percent=percent, source=f"{over}/{under} in per foot, {source}")


def _percent(scale: float, enlarged: float) -> float:
    return 100 * (enlarged / scale - 1)


def _expanded(scale: float, enlarged: float, sigma: float) -> float:
    return 2 * 100 * enlarged / scale**2 * sigma

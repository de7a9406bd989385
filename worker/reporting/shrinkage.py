"""Shrink of the piece in the pattern maker's words, beside what handbooks allow."""

from __future__ import annotations

from types import MappingProxyType

from shared.plan import Piece, PieceKind
from shared.report import ShrinkAllowance, ShrinkSummary
from worker.judging.verdicts import COVERAGE_FACTOR
from worker.measuring.shrink import Implied, summarise
from worker.records import Shrink

PERCENT_PER_INCH_PER_FOOT = 100 / 12  # on the casting's length: 5/32 in per foot is 1.302 %

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
# How an alloy's name may begin: words, EN and casting designations; common practice, no source.
_MARKS = (
    *((mark, "aluminium") for mark in ("alum", "alsi", "alcu", "almg", "en ac", "a356", "356", "a319", "319", "a357")),
    *((mark, "grey iron") for mark in ("grey", "gray", "cast iron", "iron", "en-gjl", "gjl")),
    *((mark, "magnesium") for mark in ("magn", "az91", "am60")),
    *((name, name) for name in ("brass", "bronze", "steel", "zinc")),
)
NOTE = (
    "Counted with the allowance in the pattern: (1 + allowance) / scale - 1, "
    "percent of the piece's own length, so that a print and a casting read alike. "
    "U here is that of the fit; the scanner's own error in scale comes on top, and is counted where shrink is judged."
)


def shrink_summary(found: Shrink, piece: Piece) -> ShrinkSummary:
    """Percent of the piece's own length, U at k = 2; None along axes the scan does not span."""
    allowance, source = _allowance_of(piece)
    whole = _implied(found, allowance)
    axes = [summarise(found, allowance, axis) for axis in range(3)]
    scales = [float(found.scale_xyz[k]) if found.is_measured[k] else None for k in range(3)]
    percents = [None if axis is None else axis.percent for axis in axes]
    U = [None if axis is None else COVERAGE_FACTOR * axis.sigma_percent for axis in axes]
    return ShrinkSummary(
        scale=found.scale,
        scale_xyz=(scales[0], scales[1], scales[2]),
        percent=whole.percent,
        U_percent=COVERAGE_FACTOR * whole.sigma_percent,
        percent_xyz=(percents[0], percents[1], percents[2]),
        U_percent_xyz=(U[0], U[1], U[2]),
        allowance_percent=allowance,
        allowance_source=source,
        handbook=handbook(piece.alloy) if piece.kind is PieceKind.CASTING else [],
        note=NOTE,
    )


def _implied(found: Shrink, allowance: float) -> Implied:
    """Of the uniform scale, which is always known."""
    whole = summarise(found, allowance)
    if whole is None:
        raise ValueError("the uniform scale has no axis to be missing")
    return whole


def _allowance_of(piece: Piece) -> tuple[float, str]:
    if piece.shrink_allowance_percent is not None:
        return piece.shrink_allowance_percent, "given in the plan"
    if piece.kind is PieceKind.CASTING:
        return 0.0, "none was given, so the CAD's own size is taken"
    return 0.0, f"a {piece.kind.value} is made to the CAD's own size"


def handbook(alloy: str | None) -> list[ShrinkAllowance]:
    """Published allowances for the alloy, or for all where it is not named or not known."""
    wanted = (alloy or "").strip().lower()
    known = next((name for mark, name in _MARKS if wanted.startswith(mark)), None)
    chosen = sorted(_SHOP_TABLE) if known is None else [known]
    return [_allowance(name, *entry) for name in chosen for entry in _SHOP_TABLE[name]]


def _allowance(alloy: str, over: int, under: int, source: str) -> ShrinkAllowance:
    percent = over / under * PERCENT_PER_INCH_PER_FOOT
    return ShrinkAllowance(alloy=alloy, percent=percent, source=f"{over}/{under} in per foot, {source}")

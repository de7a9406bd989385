"""Picking the row of a table by size."""

from __future__ import annotations

from collections.abc import Sequence

from shared.errors import PlanInvalid


def step_index(size_mm: float, up_to_mm: Sequence[float], table: str) -> int:
    """Row of ``table`` that holds a size: over the bound before, up to and including its own.

    Raises
    ------
    PlanInvalid
        If the size is not above zero or beyond the last row.

    """
    if not size_mm > 0:
        raise out_of_table(table, f"a size of {size_mm:g} mm is none")
    for index, bound_mm in enumerate(up_to_mm):
        if size_mm <= bound_mm:
            return index
    raise out_of_table(table, f"{size_mm:g} mm is beyond its last row, which ends at {up_to_mm[-1]:g} mm")


def out_of_table(table: str, what: str) -> PlanInvalid:
    """The table has no value there: stated, never extrapolated."""
    return PlanInvalid(
        f"{table} has no value: {what}.",
        advice="Give this characteristic its own deviations.",
        faults=[f"{table}: {what}"],
    )

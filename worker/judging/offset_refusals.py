"""What a line asks for and nominal does not have, or the scan does not show."""

from __future__ import annotations

from typing import TypeVar

from worker.judging.limits import unfit
from worker.judging.nominal_offsets import Misfit

Found = TypeVar("Found")


def fitting(found: Found | Misfit, line_id: str) -> Found:
    """What was found on nominal.

    Raises
    ------
    PlanInvalid
        If it is a misfit.

    """
    if isinstance(found, Misfit):
        raise unfit(f"characteristic {line_id}", found.what, found.advice)
    return found

"""States of an inspection, and which may follow which."""

from __future__ import annotations

from enum import StrEnum


class InspectionState(StrEnum):
    """Where an inspection stands; the SQL row is the truth."""

    QUEUED = "queued"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"

    @property
    def is_final(self) -> bool:
        """Whether nothing can follow."""
        return self in {InspectionState.DONE, InspectionState.FAILED, InspectionState.CANCELLED}


class Stage(StrEnum):
    """Stages of the pipeline, in order, as progress names them."""

    READ = "read"
    ALIGN = "align"
    DEVIATION = "deviation"
    THICKNESS = "thickness"
    JUDGE = "judge"
    REPORT = "report"

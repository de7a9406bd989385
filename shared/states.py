"""Kinds of job, the states of one, and its stages."""

from __future__ import annotations

from enum import StrEnum


class Task(StrEnum):
    """What a job does."""

    INSPECT = "inspect"
    DETECT_FEATURES = "detect_features"


class SizeClass(StrEnum):
    """How much a job has to read: small ones need not wait behind large ones."""

    SMALL = "small"
    LARGE = "large"


class InspectionState(StrEnum):
    """Where a job stands; the SQL row is the truth."""

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

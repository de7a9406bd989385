"""What one job is asked to do, and what came of it.

A job is complete: whoever runs it needs neither database nor broker nor settings.  It crosses the
wall to its own process as JSON.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, ClassVar, Literal, Protocol

from pydantic import Field, TypeAdapter

from shared.plan import Plan
from shared.report import Report
from shared.states import Stage
from shared.units import LengthUnit
from worker.exit_codes import ExitCode

DEFAULT_SEED = 20250101  # any fixed number does; reported in every report
REPORT_JSON = "report.json"
REPORT_HTML = "report.html"
FEATURES_JSON = "features.json"


@dataclass(frozen=True)
class InputFile:
    """One file to read.

    path : where it lies now;  display_name : what the sender called it, never used as a path
    stated_unit : what the caller says; None leaves it to the file
    """

    path: Path
    display_name: str
    stated_unit: LengthUnit | None = None


@dataclass(frozen=True)
class BodyFile:
    """A further solid in the nominal frame: ``role`` is "core" or "part"."""

    name: str
    role: str
    file: InputFile


@dataclass(frozen=True, kw_only=True)
class InspectionJob:
    """One piece against one nominal.

    job_id, request_id : None when run on this machine without a server
    plan_source : the plan's text as given, for its hash; None without a plan
    thread_count : native threads the stages may use, at least 1; results do not depend on it
    """

    title: str
    nominal: InputFile
    scan: InputFile
    job_id: str | None = None
    request_id: str | None = None
    bodies: tuple[BodyFile, ...] = ()
    plan: Plan | None = None
    plan_source: str | None = None
    seed: int = DEFAULT_SEED
    thread_count: int = 1
    task: Literal["inspect"] = "inspect"
    writes: ClassVar[tuple[str, ...]] = (REPORT_JSON, REPORT_HTML)


@dataclass(frozen=True, kw_only=True)
class DetectionJob:
    """Find the features of a nominal and list them."""

    title: str
    nominal: InputFile
    job_id: str | None = None
    request_id: str | None = None
    thread_count: int = 1
    task: Literal["detect_features"] = "detect_features"
    writes: ClassVar[tuple[str, ...]] = (FEATURES_JSON,)


AnyJob = InspectionJob | DetectionJob
_JOB: TypeAdapter[AnyJob] = TypeAdapter(Annotated[AnyJob, Field(discriminator="task")])


def job_to_json(job: AnyJob) -> bytes:
    """The job as JSON, for the job's own process."""
    return _JOB.dump_json(job)


def job_from_json(text: bytes) -> AnyJob:
    """The inverse of :func:`job_to_json`."""
    return _JOB.validate_json(text)


class JobResult(Protocol):
    """What the row keeps of a finished job beside its files."""

    @property
    def outcome(self) -> str:
        """One word."""

    @property
    def headline(self) -> str:
        """One sentence."""


@dataclass(frozen=True, eq=False)
class InspectionResult:
    """A finished inspection; ``report`` is what was written to the folder."""

    report: Report

    @property
    def outcome(self) -> str:
        """Word of the report's summary."""
        return self.report.summary.outcome

    @property
    def headline(self) -> str:
        """First sentence of the report."""
        return self.report.summary.headline

    @property
    def exit_code(self) -> ExitCode:
        """0 only when everything asked was measured and conforms."""
        return exit_code_of(self.outcome)


def exit_code_of(outcome: str) -> ExitCode:
    """0 only when everything asked was measured and conforms."""
    return ExitCode.CONFORMS if outcome == "conforms" else ExitCode.FINDINGS


class Progress(Protocol):
    """Called by the pipeline as it goes, as often as it likes."""

    def __call__(self, stage: Stage, share_of_stage: float, /) -> None:
        """Say that ``stage`` is under way and which share (0 to 1) of it is done."""


class Pipeline(Protocol):
    """A whole job: writes the files its ``writes`` names into ``out_dir`` and returns the result.

    Raises FirstpourError for everything expected; anything else is a fault of ours.
    """

    def __call__(self, job: AnyJob, *, out_dir: Path, progress: Progress) -> JobResult:
        """Run the job."""

"""What it takes to repeat an inspection: hashes of the inputs, versions, settings, and apart from them the run."""

from __future__ import annotations

import hashlib
import platform
import resource
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from shared.report import FileRecord, Run
from worker.job_records import InputFile, InspectionJob
from worker.records import Body, Nominal, Scan

READ_CHUNK_BYTES = 1 << 20
LIBRARIES = ("open3d-cpu", "open3d", "cadquery-ocp-novtk", "numpy", "scipy", "trimesh", "matplotlib")

SettingValue = float | int | str | bool | None


def sha256_of(path: Path) -> str:
    """Hash of a file's bytes, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(READ_CHUNK_BYTES):
            digest.update(piece)
    return digest.hexdigest()


def file_record(file: InputFile, role: str, content: Nominal | Body | Scan) -> FileRecord:
    """The record of one input file: what it was, in which unit, and what reading it dropped or mended."""
    declared = content.declared_unit if isinstance(content, Nominal | Scan) else None
    vertices = content.points_mm if isinstance(content, Scan) else content.vertices_mm
    stated = None if file.stated_unit is None else file.stated_unit.value
    return FileRecord(
        name=file.display_name,
        role=role,
        sha256=sha256_of(file.path),
        size_bytes=file.path.stat().st_size,
        unit=declared or stated or "file",
        unit_source="caller" if declared is None and stated is not None else "file",
        triangle_count=0 if content.triangles is None else len(content.triangles),
        point_count=len(vertices),
        notes=[] if isinstance(content, Body) else list(content.notes),
    )


def firstpour_version() -> str:
    """Version of this package."""
    return version("firstpour")


def library_versions() -> dict[str, str]:
    """Versions of everything that can move a figure."""
    known = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            known[name] = version(name)
        except ModuleNotFoundError:  # one of the two builds of Open3D is never there
            continue
    return known


def settings_record(**settings: Any) -> dict[str, dict[str, SettingValue]]:
    """The frozen settings of every stage as plain values; nested settings get dotted names."""
    return {stage: dict(_flat(record)) for stage, record in settings.items()}


def _flat(record: Any, prefix: str = "") -> Iterator[tuple[str, SettingValue]]:
    for item in fields(record):
        value = getattr(record, item.name)
        if item.name == "thread_count":  # how fast, not how much
            continue
        if is_dataclass(value):
            yield from _flat(value, f"{prefix}{item.name}.")
        elif isinstance(value, float | int | str | bool | None):
            yield f"{prefix}{item.name}", value
        else:
            yield f"{prefix}{item.name}", repr(value)


@dataclass
class Stopwatch:
    """Times stages; the only thing here that changes as it goes."""

    timings_s: dict[str, float] = field(default_factory=dict)
    started: float = field(default_factory=time.perf_counter)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time a ``with`` block, adding to what the name has already."""
        since = time.perf_counter()
        try:
            yield
        finally:
            self.timings_s[name] = self.timings_s.get(name, 0.0) + time.perf_counter() - since


def run_record(job: InspectionJob, timings_s: Mapping[str, float]) -> Run:
    """What differs from run to run."""
    return Run(
        inspection_id=job.job_id,
        created_at=datetime.now(UTC).isoformat(timespec="seconds"),
        timings_s={name: round(seconds, 3) for name, seconds in timings_s.items()},
        peak_memory_bytes=peak_memory_bytes(),
        thread_count=job.thread_count,
        host_platform=f"{platform.system()} {platform.machine()}, Python {platform.python_version()}",
    )


def peak_memory_bytes() -> int:
    """Largest memory of this process or of one of its finished readers, as the kernel counts it."""
    unit = 1 if sys.platform == "darwin" else 1024  # getrusage(2): kilobytes on Linux, bytes on macOS
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return unit * max(own, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)

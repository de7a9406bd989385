"""The parent's side of the guarded reader: start it, wait, and turn whatever happened into a result or an error."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shared import errors
from worker.reading.settings import MeshSettings, ReadLimits, TessellationSettings
from worker.reading.source import Source

REPOSITORY = Path(__file__).parents[2]
PASSED_ON = ("PATH", "HOME", "LANG", "LC_ALL", "TMPDIR", "LD_LIBRARY_PATH", "SYSTEMROOT")  # no secrets to a parser
REJECTIONS = {
    kind.code: kind
    for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, errors.FileRejected)
}


@dataclass(frozen=True, eq=False)
class ReadResult:
    """Arrays by name, memory-mapped, and the JSON record beside them."""

    arrays: Mapping[str, NDArray[Any]]
    record: Mapping[str, Any]


def read_guarded(
    source: Source,
    role: str,
    limits: ReadLimits,
    tessellation: TessellationSettings,
    mesh: MeshSettings,
) -> ReadResult:
    """Read ``source`` in a child process that may crash, hang or swell without harm.

    role : "nominal" or "scan"

    Raises
    ------
    FileRejected
        What the child said, or ReaderDied when it ended in any other way.

    """
    request = {
        "path": str(source.path.resolve()),
        "display_name": source.display_name,
        "stated_unit": source.stated_unit,
        "role": role,
        "limits": asdict(limits),
        "tessellation": asdict(tessellation),
        "mesh": asdict(mesh),
    }
    with tempfile.TemporaryDirectory(prefix="firstpour-read-") as name:
        folder = Path(name)
        (folder / "request.json").write_text(json.dumps(request))
        _run(folder, source.display_name, limits)
        record = _record(folder, source.display_name)
        arrays = {path.stem: _loaded(path) for path in sorted(folder.glob("*.npy"))}
    return ReadResult(arrays, record)


def _run(folder: Path, name: str, limits: ReadLimits) -> None:
    environment = {key: os.environ[key] for key in PASSED_ON if key in os.environ}
    threads = {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL")}
    command = [sys.executable, "-P", "-m", "worker.reading.child", "request.json", "."]
    with (folder / "talk.txt").open("wb") as talk:
        process = subprocess.Popen(
            command,
            cwd=folder,
            env=environment | threads | {"PYTHONPATH": str(REPOSITORY)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=talk,
            start_new_session=True,
        )
        try:
            code = process.wait(timeout=limits.child_wall_s)
        except subprocess.TimeoutExpired as error:
            raise _died(name, f"it took longer than {limits.child_wall_s:g} s") from error
        finally:
            process.kill()
            process.wait()
    if code:
        raise _died(name, _cause(code, folder / "talk.txt"))


def _cause(code: int, talk: Path) -> str:
    if code in {-signal.SIGXCPU, -signal.SIGKILL}:
        return "it used up its processor time or memory"
    if code < 0:
        return f"it crashed ({signal.Signals(-code).name})"
    last = talk.read_text(errors="replace").strip().splitlines()[-1:]
    return f"it failed ({last[0][:200] if last else f'exit code {code}'})"


def _record(folder: Path, name: str) -> dict[str, Any]:
    path = folder / "result.json"
    if not path.exists():
        raise _died(name, "it left no result")
    record: dict[str, Any] = json.loads(path.read_text())
    if "died" in record:
        raise _died(name, record["died"])
    if "error" in record:
        data = {key: value for key, value in record["data"].items() if key != "file"}
        raise REJECTIONS[record["error"]](record["message"], file=name, advice=record["advice"], **data)
    return record


def _died(name: str, cause: str) -> errors.ReaderDied:
    return errors.ReaderDied(
        f"{name} could not be read: the reader was stopped because {cause}.",
        file=name,
        advice="Open the file in another program and export it again, or send another format.",
        cause=cause,
    )


def _loaded(path: Path) -> NDArray[Any]:
    """Map an array copy-on-write; the mapping outlives the file, and pages are read when touched."""
    if path.stat().st_size < 1 << 20:
        return np.load(path, allow_pickle=False)  # type: ignore[no-any-return]
    return np.load(path, mmap_mode="c", allow_pickle=False).view(np.ndarray)  # type: ignore[no-any-return]

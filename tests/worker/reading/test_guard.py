"""The guarded child: whatever a reader does, the caller gets a result or a named error."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from shared.errors import FileTruncated, ReaderDied
from tests.support.model_files import BOX_POINTS, BOX_TRIANGLES, binary_stl, ply, source
from worker.reading import MeshSettings, ReadLimits, Source, TessellationSettings
from worker.reading.guard import ReadResult, read_guarded

BROKEN_STEP = b"ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\n#1 = GARBAGE((((;\nENDSEC;\nEND-ISO-10303-21;\n"


def guarded(file: Source, limits: ReadLimits | None = None) -> ReadResult:
    return read_guarded(file, "scan", limits or ReadLimits(), TessellationSettings(), MeshSettings())


def box(folder: Path) -> Source:
    (folder / "box.stl").write_bytes(binary_stl(BOX_POINTS, BOX_TRIANGLES))
    return source(folder / "box.stl")


def test_a_refusal_comes_back_as_it_was_raised(tmp_path: Path) -> None:
    (tmp_path / "cut.stl").write_bytes(binary_stl(BOX_POINTS, BOX_TRIANGLES)[:-7])
    with pytest.raises(FileTruncated, match=r"cut\.stl") as caught:
        guarded(source(tmp_path / "cut.stl"))
    assert caught.value.data["declared"] == 12


def test_a_reader_over_its_time_is_stopped(tmp_path: Path) -> None:
    with pytest.raises(ReaderDied, match="longer than") as caught:
        guarded(box(tmp_path), ReadLimits(child_wall_s=0.001))
    assert caught.value.file == "box.stl"


def test_a_reader_over_its_memory_is_stopped(tmp_path: Path) -> None:
    points = np.random.default_rng(0).normal(size=(400_000, 3))
    (tmp_path / "cloud.ply").write_bytes(ply(points))
    with pytest.raises(ReaderDied, match=r"cloud\.ply"):
        guarded(source(tmp_path / "cloud.ply"), ReadLimits(child_memory_bytes=90 << 20))


def test_a_reader_over_its_processor_time_is_stopped(tmp_path: Path) -> None:
    count = 1_500_000
    header = ply(BOX_POINTS, BOX_TRIANGLES[:0], encoding="ascii").replace(b"face 0", b"face %d" % count)
    (tmp_path / "long.ply").write_bytes(header + b"3 0 1 2\n" * count)
    with pytest.raises(ReaderDied, match="processor time"):
        guarded(source(tmp_path / "long.ply"), ReadLimits(child_cpu_s=1))


def test_garbage_inside_a_step_is_refused_or_survived(tmp_path: Path) -> None:
    (tmp_path / "bad.step").write_bytes(BROKEN_STEP)
    with pytest.raises(Exception, match=r"bad\.step"):
        guarded(source(tmp_path / "bad.step"))


def test_large_arrays_outlive_the_folder_they_came_in(tmp_path: Path) -> None:
    points = np.random.default_rng(0).normal(size=(60_000, 3)).astype(np.float32).astype(np.float64)
    (tmp_path / "cloud.ply").write_bytes(ply(points))
    read = guarded(source(tmp_path / "cloud.ply")).arrays["points"]
    np.testing.assert_array_equal(read, points)
    assert type(read) is np.ndarray
    assert read.dtype == np.float64


def test_the_display_name_is_never_a_path(tmp_path: Path) -> None:
    file = Source(box(tmp_path).path, "../../etc/evil\n.stl", source(tmp_path).stated_unit)
    assert len(guarded(file).arrays["points"]) == 8


def test_the_child_passes_no_secrets_on(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    seen: list[dict[str, str]] = []
    real = subprocess.Popen

    def spy(*arguments: object, **options: object) -> object:
        seen.append(dict(options["env"]))  # type: ignore[call-overload]
        return real(*arguments, **options)  # type: ignore[call-overload]

    monkeypatch.setenv("FIRSTPOUR_SECRET_KEY", "x")
    monkeypatch.setattr(subprocess, "Popen", spy)
    guarded(box(tmp_path))
    assert "FIRSTPOUR_SECRET_KEY" not in seen[0]


@pytest.mark.parametrize("module", ["open3d", "OCP", "trimesh", "pye57", "scipy.sparse", "worker.records"])
def test_the_child_starts_without_what_it_does_not_need(module: str) -> None:
    script = "import sys, worker.reading, worker.reading.child, worker.reading.stl, worker.reading.prepare;"
    script += f"sys.exit({module!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0


@pytest.mark.skipif(sys.platform != "linux", reason="prctl is Linux's")
def test_the_child_dies_with_the_worker_that_started_it(tmp_path: Path) -> None:
    count = 3_000_000
    header = ply(BOX_POINTS, BOX_TRIANGLES[:0], encoding="ascii").replace(b"face 0", b"face %d" % count)
    (tmp_path / "long.ply").write_bytes(header + b"3 0 1 2\n" * count)
    script = "import sys; from pathlib import Path; from shared.units import LengthUnit\n"
    script += "from worker.reading import Source, read_scan\n"
    script += "read_scan(Source(Path(sys.argv[1]), 'long.ply', LengthUnit.MILLIMETRE))"
    worker = subprocess.Popen([sys.executable, "-c", script, str(tmp_path / "long.ply")])
    children = Path(f"/proc/{worker.pid}/task/{worker.pid}/children")
    child = wait_for(lambda: children.read_text().split())[0]
    wait_for(lambda: "worker.reading.child" in Path(f"/proc/{child}/cmdline").read_text())
    time.sleep(0.5)  # past its first lines, where it asks for this
    worker.kill()
    worker.wait()
    assert wait_for(lambda: is_gone(child))


def is_gone(process: str) -> bool:
    status = Path(f"/proc/{process}/status")
    return not status.exists() or "State:\tZ" in status.read_text()


def wait_for(find: Callable[[], Any], limit_s: float = 20.0) -> Any:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        found = find()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError("it did not happen in time")

"""A disk of a megabyte or so, to be filled: a tmpfs mounted for a while, which takes root."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, size_bytes: int) -> Iterator[Path]:
    """``folder``, with so much room in it."""
    if os.geteuid() != 0 or sys.platform != "linux":
        pytest.skip("only root can mount a small disk")
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(folder)]
    if subprocess.run(mount, check=False, capture_output=True).returncode != 0:
        pytest.skip("this machine lets nobody mount a small disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def fill(folder: Path, leave_bytes: int = 0) -> Path:
    """Take all the room but so much; the file that takes it."""
    path = folder / "filling"
    room = os.statvfs(folder)
    with path.open("wb") as file:
        file.write(b"x" * max(0, room.f_bavail * room.f_bsize - leave_bytes))
    return path

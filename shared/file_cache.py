"""Copies on this machine of files that lie elsewhere and are read again and again: reports, mostly."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

MIB = 1024 * 1024
LIMIT_BYTES = 2048 * MIB  # some hundred reports
IN_USE_S = 600.0  # an answer that began to be sent from a copy is done by then


class FileCache:
    """A folder of copies by key, the least recently used of which go first.

    A copy has its name only when it is whole.  Stored files never change, so neither does a copy.
    """

    def __init__(self, root: Path, limit_bytes: int = LIMIT_BYTES) -> None:
        self._root, self._limit_bytes = root, limit_bytes
        root.mkdir(parents=True, exist_ok=True)

    def find(self, key: str) -> Path | None:
        """The copy, marked as used now."""
        path = self._root / key
        try:
            os.utime(path)
        except FileNotFoundError:
            return None
        return path

    def add(self, whole: Path, key: str) -> Path:
        """Take a whole file, from the same disk; what is too much for the limit goes."""
        path = self._root / key
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole.open("rb") as file:
            os.fsync(file.fileno())  # or a power cut might leave the name and not the bytes
        whole.replace(path)
        os.utime(path)
        self._make_room()
        return path

    def forget(self, key: str) -> None:
        """Remove the copy of a file, or of all in a folder."""
        path = self._root / key
        shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(missing_ok=True)

    def sweep(self, older_than_s: float) -> int:
        """Remove what was not used for so long; how many."""
        before = time.time() - older_than_s
        going = [path for used_at, _size, path in self._copies() if used_at < before]
        for path in going:
            path.unlink(missing_ok=True)
        return len(going)

    def _make_room(self) -> None:
        copies = sorted(self._copies())
        total_bytes = sum(size_bytes for _, size_bytes, _ in copies)
        for used_at, size_bytes, path in copies:
            if total_bytes <= self._limit_bytes or used_at > time.time() - IN_USE_S:
                return
            path.unlink(missing_ok=True)
            total_bytes -= size_bytes

    def _copies(self) -> Iterator[tuple[float, int, Path]]:
        for path in self._root.rglob("*"):
            with suppress(FileNotFoundError):
                found = path.stat()
                if path.is_file():
                    yield found.st_mtime, found.st_size, path

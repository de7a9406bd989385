"""Files being received, on the disk of this machine."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO


@dataclass(frozen=True)
class StoredFile:
    """A whole file: its key, size and the SHA-256 of its bytes (hex)."""

    key: str
    size_bytes: int
    sha256: str


class AsideWriter:
    """A file aside, hashed while it grows.

    finish : called with the whole file once it is flushed to the disk; gives it its key, and may move it
    """

    def __init__(self, path: Path, key: str, finish: Callable[[Path, StoredFile], None]) -> None:
        self._file = path.open("xb")
        self._path, self._key, self._finish = path, key, finish
        self._hash = hashlib.sha256()
        self.size_bytes = 0

    def write(self, data: bytes) -> None:
        """Append."""
        self._file.write(data)
        self._hash.update(data)
        self.size_bytes += len(data)

    def commit(self) -> StoredFile:
        """Flush to the disk, then give the key: it exists only when the file is whole."""
        _flush_file(self._file)
        self._file.close()
        stored = StoredFile(self._key, self.size_bytes, self._hash.hexdigest())
        self._finish(self._path, stored)
        return stored

    def close(self) -> None:
        """Forget whatever was not committed."""
        self._file.close()
        self._path.unlink(missing_ok=True)


class PartialWriter:
    """Appends to a partial file from a known offset, under an exclusive lock."""

    def __init__(self, file: BinaryIO, offset_bytes: int) -> None:
        self._file = file
        self.offset_bytes = offset_bytes

    def write(self, data: bytes) -> None:
        """Append."""
        self._file.write(data)
        self.offset_bytes += len(data)

    def sync(self) -> int:
        """Flush to the disk; the offset that now is safe."""
        _flush_file(self._file)
        return self.offset_bytes

    def rewind(self, offset_bytes: int) -> None:
        """Cut off everything beyond ``offset_bytes``."""
        self._file.flush()
        self._file.truncate(offset_bytes)
        self._file.seek(offset_bytes)
        self.offset_bytes = offset_bytes


def _flush_file(file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())

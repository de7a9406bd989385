"""Where files are kept: uploads, half-received uploads, reports.

Names on disk are random and never a caller's.  A file is written aside, flushed to the disk and
renamed last, so that a key that exists names a whole file; a report's folder likewise.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import re
import shutil
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from secrets import token_hex
from typing import BinaryIO, Protocol

CHUNK_BYTES = 1024 * 1024  # large enough to hide call overhead, small enough to never matter for memory
KEY_PATTERN = re.compile(r"[a-z]+(/[A-Za-z0-9_-][A-Za-z0-9_.-]*)+")


DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})


class KeyUnknown(KeyError):
    """No file under this key."""


class PartialBusy(RuntimeError):
    """Another process or request is writing to this partial file."""


@dataclass(frozen=True)
class StoredFile:
    """A whole file: its key, size and the SHA-256 of its bytes (hex)."""

    key: str
    size_bytes: int
    sha256: str


class FileWriter(Protocol):
    """A file being received."""

    @property
    def size_bytes(self) -> int:
        """Bytes written so far."""

    def write(self, data: bytes) -> None:
        """Append."""

    def commit(self) -> StoredFile:
        """Flush to the disk and give the file its key."""


class FileStore(Protocol):
    """What api and worker need of a place for files."""

    def new_file(self) -> AbstractContextManager[FileWriter]:
        """Context manager giving a :class:`FileWriter`; without ``commit`` nothing is left behind."""

    def open(self, key: str) -> BinaryIO:
        """Open for reading; raises KeyUnknown."""

    def local_path(self, key: str) -> Path:
        """Path of a file or published folder on this machine, for readers that need one; raises KeyUnknown."""

    def delete(self, key: str) -> None:
        """Remove a file or folder; nothing happens when there is none."""

    def new_folder(self) -> Path:
        """Empty folder aside, on the store's own disk, to be published or abandoned."""

    def publish_folder(self, aside: Path, key: str) -> str:
        """Give a folder its key in one step.  A key already published is kept, and ``aside`` dropped."""

    def new_partial(self) -> str:
        """Key of a new, empty partial file."""

    def append_to_partial(self, key: str, offset_bytes: int) -> AbstractContextManager[PartialWriter]:
        """Context manager giving a :class:`PartialWriter` at ``offset_bytes``; raises PartialBusy, KeyUnknown."""

    def finish_partial(self, key: str) -> StoredFile:
        """Hash a partial file and give it its final key."""

    def check_writable(self) -> None:
        """Raise OSError when nothing can be written."""

    def free_bytes(self) -> int:
        """Room that is left."""

    def keys_older_than(self, kind: str, age_s: float) -> Iterator[str]:
        """Keys of "uploads" or "reports" that were finished longer ago than that."""

    def aside_bytes(self) -> int:
        """Room taken by what is being written, or was left by a crash."""

    def sweep_aside(self, older_than_s: float) -> int:
        """Remove what crashes left aside longer ago than that; how many."""


class LocalWriter:
    """A file aside, hashed while it grows."""

    def __init__(self, path: Path, final_path: Path, key: str) -> None:
        self._file = path.open("xb")
        self._path, self._final_path, self._key = path, final_path, key
        self._hash = hashlib.sha256()
        self.size_bytes = 0

    def write(self, data: bytes) -> None:
        """Append."""
        self._file.write(data)
        self._hash.update(data)
        self.size_bytes += len(data)

    def commit(self) -> StoredFile:
        """Flush to the disk, then rename: the key exists only when the file is whole."""
        _flush_file(self._file)
        self._file.close()
        _rename(self._path, self._final_path)
        return StoredFile(self._key, self.size_bytes, self._hash.hexdigest())

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


class LocalFileStore:
    """A folder on this machine, or one shared by all (NFS)."""

    def __init__(self, root: Path) -> None:
        self._root = root.resolve()
        for name in ("aside", "partial", "uploads", "reports"):
            (self._root / name).mkdir(parents=True, exist_ok=True)

    @contextmanager
    def new_file(self) -> Iterator[LocalWriter]:
        """Receive a file; without ``commit`` nothing is left behind."""
        key = _upload_key(token_hex(16))
        writer = LocalWriter(self._aside(), self._path(key), key)
        try:
            yield writer
        finally:
            writer.close()

    def open(self, key: str) -> BinaryIO:
        """Open for reading."""
        return self.local_path(key).open("rb")

    def local_path(self, key: str) -> Path:
        """Path of a file or published folder."""
        path = self._path(key)
        if not path.exists():
            raise KeyUnknown(key)
        return path

    def delete(self, key: str) -> None:
        """Remove a file or folder; a folder leaves its name in one step."""
        path = self._path(key)
        if path.is_dir():
            aside = self._aside()
            path.rename(aside)
            shutil.rmtree(aside)
        else:
            path.unlink(missing_ok=True)

    def new_folder(self) -> Path:
        """Empty folder aside."""
        folder = self._aside()
        folder.mkdir()
        return folder

    def publish_folder(self, aside: Path, key: str) -> str:
        """Flush every file and rename the folder to its key."""
        if aside.resolve().parent != self._root / "aside":
            raise ValueError(f"{aside} was not made by new_folder")
        final_path = self._path(key)
        for path in aside.rglob("*"):
            _flush_path(path)
        _flush_path(aside)
        try:
            _rename(aside, final_path)
        except OSError:
            if not final_path.is_dir():
                raise
            shutil.rmtree(aside)
        return key

    def new_partial(self) -> str:
        """Key of a new, empty partial file."""
        key = f"partial/{token_hex(16)}"
        self._path(key).open("xb").close()
        return key

    @contextmanager
    def append_to_partial(self, key: str, offset_bytes: int) -> Iterator[PartialWriter]:
        """Write on from ``offset_bytes``; whatever a crash left beyond it is cut off first."""
        with self.local_path(key).open("r+b") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise PartialBusy(key) from error
            if os.fstat(file.fileno()).st_size < offset_bytes:
                raise KeyUnknown(key)
            writer = PartialWriter(file, offset_bytes)
            writer.rewind(offset_bytes)
            yield writer

    def finish_partial(self, key: str) -> StoredFile:
        """Hash a partial file and rename it; done twice, as after a crash between, it gives the same key."""
        final_key = _upload_key(key.rpartition("/")[2])
        if not self._path(final_key).exists():
            _rename(self.local_path(key), self._path(final_key))
        digest, size_bytes = hashlib.sha256(), 0
        with self.open(final_key) as file:
            while data := file.read(CHUNK_BYTES):
                digest.update(data)
                size_bytes += len(data)
        return StoredFile(final_key, size_bytes, digest.hexdigest())

    def check_writable(self) -> None:
        """Write and remove one byte."""
        path = self._aside()
        path.write_bytes(b"?")
        path.unlink()

    def free_bytes(self) -> int:
        """Room that is left on the disk of the folder."""
        return shutil.disk_usage(self._root).free

    def keys_older_than(self, kind: str, age_s: float) -> Iterator[str]:
        """Keys of whole files or folders: both lie two levels down."""
        before = time.time() - age_s
        for path in (self._root / kind).glob("*/*"):
            with suppress(FileNotFoundError):
                if path.stat().st_mtime < before:
                    yield path.relative_to(self._root).as_posix()

    def aside_bytes(self) -> int:
        """Sum over all files aside."""
        return folder_bytes(self._root / "aside")

    def sweep_aside(self, older_than_s: float) -> int:
        """Remove what crashes left behind."""
        swept, before = 0, time.time() - older_than_s
        for path in (self._root / "aside").iterdir():
            with suppress(FileNotFoundError):  # its owner was faster
                if path.stat().st_mtime < before:
                    shutil.rmtree(path) if path.is_dir() else path.unlink()
                    swept += 1
        return swept

    def _aside(self) -> Path:
        return self._root / "aside" / token_hex(16)

    def _path(self, key: str) -> Path:
        if not KEY_PATTERN.fullmatch(key):
            raise ValueError(f"not a storage key: {key!r}")
        return self._root / key


def folder_bytes(folder: Path) -> int:
    """Sum of the sizes of all files in a folder; those that vanish meanwhile count nothing."""
    total_bytes = 0
    for path in folder.rglob("*"):
        with suppress(FileNotFoundError):
            total_bytes += path.stat().st_size if path.is_file() else 0
    return total_bytes


def is_disk_full(error: OSError) -> bool:
    """Whether it failed for want of room."""
    return error.errno in DISK_FULL


def _upload_key(name: str) -> str:
    return f"uploads/{name[:2]}/{name}"  # 256 folders, so that none grows too long


def _rename(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    source.rename(target)
    _flush_path(target.parent)


def _flush_file(file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())


def _flush_path(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

"""Where files are kept: uploads, half-received uploads, reports.

Names on disk are random and never a caller's.  A file is written aside, flushed to the disk and
renamed last, so that a key that exists names a whole file; a report's folder likewise.  The same in a
bucket is :mod:`shared.bucket_store`; which of both a deployment uses says :func:`shared.stores.open_store`.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from secrets import token_hex
from typing import BinaryIO, Protocol

from shared.file_writers import AsideWriter, PartialWriter, StoredFile

CHUNK_BYTES = 1024 * 1024  # large enough to hide call overhead, small enough to never matter for memory
KEY_PATTERN = re.compile(r"[a-z]+(/[A-Za-z0-9_-][A-Za-z0-9_.-]*)+")


DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})


class KeyUnknown(KeyError):
    """No file under this key."""


class StoreAway(OSError):
    """The store does not answer, or refuses us; a deployment with a folder has :class:`OSError` only."""


class PartialBusy(RuntimeError):
    """Another process or request is writing to this partial file."""


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

    def read(self, key: str, start_bytes: int = 0, stop_bytes: int | None = None) -> Iterator[bytes]:
        """The bytes of a file from ``start_bytes`` up to ``stop_bytes``, in pieces; raises KeyUnknown."""

    def local_path(self, key: str) -> Path:
        """Path of a published file on this machine, for readers that need it whole and soon; raises KeyUnknown."""

    def local_copy(self, key: str, folder: Path, tick: Callable[[], None]) -> Path:
        """Path of a file for as long as ``folder`` is there, where it is copied to if it is not on this machine.

        tick : called now and then while bytes come; what it raises ends the copying

        Raises KeyUnknown.
        """

    def keys_under(self, key: str) -> list[str]:
        """Keys of the files in a published folder, or of the file itself; none when there is nothing."""

    def put(self, path: Path, key: str) -> None:
        """Copy a file of this machine to its key, as a backup does that is read back."""

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
        """Remove what crashes left aside on this machine longer ago than that; how many."""

    def sweep_unfinished(self, older_than_s: float) -> int:
        """Remove what crashes left half-sent to a store elsewhere longer ago than that; how many."""


class LocalFileStore:
    """A folder on this machine, or one shared by all (NFS)."""

    def __init__(self, root: Path) -> None:
        self.root = root.resolve()
        for name in ("aside", "partial", "uploads", "reports"):
            (self.root / name).mkdir(parents=True, exist_ok=True)

    def new_file(self) -> AbstractContextManager[AsideWriter]:
        """Receive a file; without ``commit`` nothing is left behind."""
        return self.write_aside(lambda path, stored: _rename(path, self._path(stored.key)))

    @contextmanager
    def write_aside(self, finish: Callable[[Path, StoredFile], None]) -> Iterator[AsideWriter]:
        """Receive a file whose place is up to ``finish``."""
        writer = AsideWriter(self.new_path(), upload_key(token_hex(16)), finish)
        try:
            yield writer
        finally:
            writer.close()

    def read(self, key: str, start_bytes: int = 0, stop_bytes: int | None = None) -> Iterator[bytes]:
        """The bytes of a file, in pieces."""
        return _pieces(self.local_path(key).open("rb"), start_bytes, stop_bytes)

    def local_path(self, key: str) -> Path:
        """Path of a file or published folder."""
        path = self._path(key)
        if not path.exists():
            raise KeyUnknown(key)
        return path

    def local_copy(self, key: str, _folder: Path, _tick: Callable[[], None]) -> Path:
        """It is here already, and published files never change."""
        return self.local_path(key)

    def keys_under(self, key: str) -> list[str]:
        """Keys of files."""
        place = self._path(key)
        paths = place.rglob("*") if place.is_dir() else [place]
        return sorted(path.relative_to(self.root).as_posix() for path in paths if path.is_file())

    def put(self, path: Path, key: str) -> None:
        """Copy aside, flush, rename."""
        aside = self.new_path()
        shutil.copyfile(path, aside)
        _flush_path(aside)
        _rename(aside, self._path(key))

    def delete(self, key: str) -> None:
        """Remove a file or folder; a folder leaves its name in one step."""
        path = self._path(key)
        if path.is_dir():
            aside = self.new_path()
            path.rename(aside)
            shutil.rmtree(aside)
        else:
            path.unlink(missing_ok=True)

    def new_folder(self) -> Path:
        """Empty folder aside."""
        folder = self.new_path()
        folder.mkdir()
        return folder

    def publish_folder(self, aside: Path, key: str) -> str:
        """Flush every file and rename the folder to its key."""
        self.check_is_aside(aside)
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

    def check_is_aside(self, folder: Path) -> None:
        """Raise ValueError for a folder that new_folder did not make."""
        if folder.resolve().parent != self.root / "aside":
            raise ValueError(f"{folder} was not made by new_folder")

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
        final_key = upload_key(key.rpartition("/")[2])
        if not self._path(final_key).exists():
            _rename(self.local_path(key), self._path(final_key))
        return self.hashed(final_key, final_key)

    def hashed(self, key: str, name: str) -> StoredFile:
        """Read a file and tell size and hash of what is or will be stored as ``name``."""
        digest, size_bytes = hashlib.sha256(), 0
        for data in self.read(key):
            digest.update(data)
            size_bytes += len(data)
        return StoredFile(name, size_bytes, digest.hexdigest())

    def check_writable(self) -> None:
        """Write and remove one byte."""
        path = self.new_path()
        path.write_bytes(b"?")
        path.unlink()

    def free_bytes(self) -> int:
        """Room that is left on the disk of the folder."""
        return shutil.disk_usage(self.root).free

    def keys_older_than(self, kind: str, age_s: float) -> Iterator[str]:
        """Keys of whole files or folders: both lie two levels down."""
        before = time.time() - age_s
        for path in (self.root / kind).glob("*/*"):
            with suppress(FileNotFoundError):
                if path.stat().st_mtime < before:
                    yield path.relative_to(self.root).as_posix()

    def aside_bytes(self) -> int:
        """Sum over all files aside."""
        return folder_bytes(self.root / "aside")

    def sweep_aside(self, older_than_s: float) -> int:
        """Remove what crashes left behind."""
        swept, before = 0, time.time() - older_than_s
        for path in (self.root / "aside").iterdir():
            with suppress(FileNotFoundError):  # its owner was faster
                if path.stat().st_mtime < before:
                    shutil.rmtree(path) if path.is_dir() else path.unlink()
                    swept += 1
        return swept

    def sweep_unfinished(self, _older_than_s: float) -> int:
        """Nothing is sent elsewhere."""
        return 0

    def new_path(self) -> Path:
        """Path aside that nobody uses, on the store's own disk."""
        return self.root / "aside" / token_hex(16)

    def _path(self, key: str) -> Path:
        return self.root / checked_key(key)


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


def checked_key(key: str) -> str:
    """The same key; raises ValueError for what cannot be one."""
    if not KEY_PATTERN.fullmatch(key):
        raise ValueError(f"not a storage key: {key!r}")
    return key


def upload_key(name: str) -> str:
    """Key of a whole upload."""
    return f"uploads/{name[:2]}/{name}"  # 256 folders, so that none grows too long


def _pieces(file: BinaryIO, start_bytes: int, stop_bytes: int | None) -> Iterator[bytes]:
    def wanted() -> int:
        return CHUNK_BYTES if stop_bytes is None else max(0, min(CHUNK_BYTES, stop_bytes - file.tell()))

    with file:
        file.seek(start_bytes)
        while data := file.read(wanted()):
            yield data


def _rename(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    source.rename(target)
    _flush_path(target.parent)


def _flush_path(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

"""Files in a bucket of an S3-compatible store, for machines that share no folder.

What is being received lies on the disk of the machine that receives it, as with a folder, and is sent
when it is whole: an object appears in one step, so a key that exists names a whole file.  Half-received
uploads are therefore known to one machine only (or to all that share its data folder).  A report's
folder goes file by file and is named by its row afterwards; ``WHOLE`` in it says that all are there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import UTC, datetime, timedelta
from itertools import groupby
from pathlib import Path
from shutil import rmtree
from typing import TYPE_CHECKING

from boto3.s3.transfer import TransferConfig

from shared.file_cache import FileCache
from shared.file_writers import AsideWriter, PartialWriter, StoredFile
from shared.filestore import CHUNK_BYTES, KeyUnknown, LocalFileStore, checked_key, folder_bytes, upload_key
from shared.s3_client import errors_of_store

if TYPE_CHECKING:
    from mypy_boto3_s3 import S3Client
    from mypy_boto3_s3.type_defs import ObjectTypeDef

WHOLE = ".whole"  # no name that a key could have
PROBE = "checks/writable"
PART_BYTES = 16 * 1024 * 1024  # times 10,000 parts, the most there may be, is more than any file here
SENDING = TransferConfig(multipart_threshold=PART_BYTES, multipart_chunksize=PART_BYTES, max_concurrency=4)
HASH = "sha256"  # metadata of an upload, for whoever finishes it a second time


class BucketFileStore:
    """A bucket, with a folder on this machine for what is under way and for copies of what is read often."""

    def __init__(self, local: LocalFileStore, client: S3Client, bucket: str) -> None:
        self._local, self._client, self._bucket = local, client, bucket
        self._cache_dir = local.root / "cache"
        self._cache = FileCache(self._cache_dir)

    def new_file(self) -> AbstractContextManager[AsideWriter]:
        """Receive a file on the disk; ``commit`` sends it."""
        return self._local.write_aside(self._send_upload)

    def read(self, key: str, start_bytes: int = 0, stop_bytes: int | None = None) -> Iterator[bytes]:
        """The bytes of an object, in pieces; raises KeyUnknown before the first."""
        with errors_of_store(key):
            if (start_bytes, stop_bytes) == (0, None):  # nothing of an empty object can be asked for as a range
                answer = self._client.get_object(Bucket=self._bucket, Key=checked_key(key))
            else:
                wanted = f"bytes={start_bytes}-{'' if stop_bytes is None else stop_bytes - 1}"
                answer = self._client.get_object(Bucket=self._bucket, Key=checked_key(key), Range=wanted)
        return self._pieces(key, answer["Body"].iter_chunks(CHUNK_BYTES))

    def local_path(self, key: str) -> Path:
        """A copy on this machine, kept for the next time."""
        return self._cache.find(checked_key(key)) or self._cache.add(self._fetch(key, self._local.new_path()), key)

    def local_copy(self, key: str, folder: Path, tick: Callable[[], None]) -> Path:
        """A copy in ``folder``, under the last part of its key."""
        return self._fetch(key, folder / checked_key(key).rpartition("/")[2], tick)

    def keys_under(self, key: str) -> list[str]:
        """Keys of objects."""
        return [found for found in self._objects_of(key) if not found.endswith(f"/{WHOLE}")]

    def put(self, path: Path, key: str) -> None:
        """Send a file of this machine."""
        self._send(path, checked_key(key))

    def delete(self, key: str) -> None:
        """Remove an object, or all of a folder, of which it is said first that it is not whole any more."""
        self._local.delete(key)
        self._cache.forget(key)
        for found in sorted(self._objects_of(key), key=lambda name: not name.endswith(f"/{WHOLE}")):
            with errors_of_store(found):
                self._client.delete_object(Bucket=self._bucket, Key=found)

    def new_folder(self) -> Path:
        """Empty folder on this machine."""
        return self._local.new_folder()

    def publish_folder(self, aside: Path, key: str) -> str:
        """Send every file, then say that all are there."""
        self._local.check_is_aside(aside)
        if self._head(f"{checked_key(key)}/{WHOLE}") is None:
            for path in sorted(path for path in aside.rglob("*") if path.is_file()):
                self._send(path, f"{key}/{path.relative_to(aside).as_posix()}")
            with errors_of_store(key):
                self._client.put_object(Bucket=self._bucket, Key=f"{key}/{WHOLE}", Body=b"")
        rmtree(aside)
        return key

    def new_partial(self) -> str:
        """Key of a new, empty partial file on this machine."""
        return self._local.new_partial()

    def append_to_partial(self, key: str, offset_bytes: int) -> AbstractContextManager[PartialWriter]:
        """Write on, on this machine."""
        return self._local.append_to_partial(key, offset_bytes)

    def finish_partial(self, key: str) -> StoredFile:
        """Hash a partial file and send it; done twice, as after a crash between, it gives the same key."""
        stored = self._head(upload_key(key.rpartition("/")[2]))
        if stored is None:
            stored = self._local.hashed(key, upload_key(key.rpartition("/")[2]))
            self._send_upload(self._local.local_path(key), stored)
        self._local.delete(key)
        return stored

    def check_writable(self) -> None:
        """Write a byte here and one there."""
        self._local.check_writable()
        with errors_of_store(PROBE):
            self._client.put_object(Bucket=self._bucket, Key=PROBE, Body=b"?")

    def free_bytes(self) -> int:
        """Room on the disk of this machine, where files are received and jobs run; a bucket tells of no end."""
        return self._local.free_bytes()

    def keys_older_than(self, kind: str, age_s: float) -> Iterator[str]:
        """Keys of uploads and of report folders, the latter by their latest file."""
        before = datetime.now(UTC) - timedelta(seconds=age_s)
        for key, members in groupby(self._listed(f"{kind}/"), lambda one: "/".join(one["Key"].split("/")[:3])):
            if max(one["LastModified"] for one in members) < before:
                yield key

    def aside_bytes(self) -> int:
        """What is under way on this machine, and its copies."""
        return self._local.aside_bytes() + folder_bytes(self._cache_dir)

    def sweep_aside(self, older_than_s: float) -> int:
        """Remove what crashes left on this machine, and copies not used for so long."""
        return self._local.sweep_aside(older_than_s) + self._cache.sweep(older_than_s)

    def sweep_unfinished(self, older_than_s: float) -> int:
        """Give up uploads in parts that somebody who died began."""
        before, swept = datetime.now(UTC) - timedelta(seconds=older_than_s), 0
        with errors_of_store(self._bucket):
            pages = self._client.get_paginator("list_multipart_uploads").paginate(Bucket=self._bucket)
            for one in [one for page in pages for one in page.get("Uploads", [])]:
                if one["Initiated"] < before:
                    self._client.abort_multipart_upload(Bucket=self._bucket, Key=one["Key"], UploadId=one["UploadId"])
                    swept += 1
        return swept

    def _send_upload(self, path: Path, stored: StoredFile) -> None:
        self._send(path, stored.key, {HASH: stored.sha256})

    def _send(self, path: Path, key: str, metadata: dict[str, str] | None = None) -> None:
        with errors_of_store(key):
            self._client.upload_file(
                str(path), self._bucket, key, ExtraArgs={"Metadata": metadata or {}}, Config=SENDING
            )

    def _fetch(self, key: str, target: Path, tick: Callable[[], None] = lambda: None) -> Path:
        """Copy an object to this machine."""
        try:
            with target.open("xb") as file:
                for data in self.read(key):
                    file.write(data)
                    tick()
        except BaseException:
            target.unlink(missing_ok=True)
            raise
        return target

    def _pieces(self, key: str, pieces: Iterator[bytes]) -> Iterator[bytes]:
        with errors_of_store(key):
            yield from pieces

    def _head(self, key: str) -> StoredFile | None:
        """Size and hash of an object, None when there is none."""
        try:
            with errors_of_store(key):
                found = self._client.head_object(Bucket=self._bucket, Key=key)
        except KeyUnknown:
            return None
        return StoredFile(key, found["ContentLength"], found["Metadata"].get(HASH, ""))

    def _objects_of(self, key: str) -> list[str]:
        """The object of that key and all in the folder of that key."""
        found = (one["Key"] for one in self._listed(checked_key(key)))
        return [name for name in found if name == key or name.startswith(f"{key}/")]

    def _listed(self, prefix: str) -> Iterator[ObjectTypeDef]:
        with errors_of_store(prefix):
            for page in self._client.get_paginator("list_objects_v2").paginate(Bucket=self._bucket, Prefix=prefix):
                yield from page.get("Contents", [])

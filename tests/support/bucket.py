"""An S3-compatible store for tests: moto, an emulation that answers over HTTP and keeps everything in memory."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from moto.server import ThreadedMotoServer

from shared.bucket_store import BucketFileStore
from shared.filestore import LocalFileStore
from shared.s3_client import s3_client
from shared.settings import Settings
from tests.support.services import LOOPBACK, free_port

BUCKET = "firstpour-files"
KEY_ID, SECRET = "AKIAINVENTED0000", "invented-secret-of-the-tests"


@dataclass(eq=False)
class BucketServer:
    """A server with one bucket; ``stop`` makes it unreachable, ``start`` brings it back with what it held."""

    port: int = field(default_factory=free_port)
    is_up: bool = False

    def __post_init__(self) -> None:
        self.start()
        s3_client(Settings(**self.settings)).create_bucket(Bucket=BUCKET)

    @property
    def settings(self) -> dict[str, Any]:
        """Settings of a deployment that uses it."""
        return {
            "s3_endpoint": f"http://{LOOPBACK}:{self.port}",
            "s3_bucket": BUCKET,
            "s3_access_key_id": KEY_ID,
            "s3_secret_access_key": SECRET,
        }

    def start(self) -> None:
        """Answer; nothing happens if it does."""
        if self.is_up:
            return
        self._server = ThreadedMotoServer(LOOPBACK, self.port, verbose=False)
        self._server.start()
        self.is_up = True

    def stop(self) -> None:
        """Answer no longer."""
        self._server.stop()
        self.is_up = False

    def store(self, folder: Path) -> BucketFileStore:
        """The store as one machine with that folder has it."""
        return BucketFileStore(LocalFileStore(folder), s3_client(Settings(**self.settings)), BUCKET)

    def stored(self) -> list[str]:
        """Keys of all objects."""
        found = s3_client(Settings(**self.settings)).list_objects_v2(Bucket=BUCKET)
        return [one["Key"] for one in found.get("Contents", [])]


@contextmanager
def bucket_server() -> Iterator[BucketServer]:
    """A server of our own; what it held is gone afterwards."""
    server = BucketServer()
    client = s3_client(Settings(**server.settings))
    try:
        yield server
    finally:
        for key in server.stored():
            client.delete_object(Bucket=BUCKET, Key=key)
        client.delete_bucket(Bucket=BUCKET)
        server.stop()

"""Which file store a deployment uses."""

from __future__ import annotations

from shared.filestore import FileStore, LocalFileStore
from shared.settings import Settings


def open_store(settings: Settings) -> FileStore:
    """The bucket if one is set, else the data folder, which may be one that all machines share."""
    local = LocalFileStore(settings.files_dir)
    if not settings.s3_bucket:
        return local
    from shared.bucket_store import BucketFileStore  # noqa: PLC0415 - its client takes memory and time to load
    from shared.s3_client import s3_client  # noqa: PLC0415 - as above

    return BucketFileStore(local, s3_client(settings), settings.s3_bucket)

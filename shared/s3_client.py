"""The client of an S3-compatible store, and what its errors mean to us."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import boto3
from boto3.exceptions import Boto3Error
from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError, HTTPClientError

from shared.filestore import KeyUnknown, StoreAway
from shared.settings import Settings

if TYPE_CHECKING:
    from mypy_boto3_s3 import S3Client

CONNECT_S = 5
READ_S = 30  # between two pieces, not for all
TRIES = 3  # some 3 s of pauses; whoever called tries again later anyway
CONNECTION_COUNT = 50  # the API works on 40 threads
NO_SUCH_KEY = frozenset({"NoSuchKey", "404"})


def s3_client(settings: Settings) -> S3Client:
    """A client that may be used by all threads; nothing is asked of the store yet."""
    config = Config(
        connect_timeout=CONNECT_S,
        read_timeout=READ_S,
        retries={"mode": "standard", "total_max_attempts": TRIES},
        max_pool_connections=CONNECTION_COUNT,
        s3={"addressing_style": "path" if settings.s3_endpoint else "auto"},  # host names a bucket need DNS
        request_checksum_calculation="when_required",  # many stores refuse the newer ones
        response_checksum_validation="when_required",
    )
    return boto3.client(
        "s3",
        endpoint_url=settings.s3_endpoint or None,
        region_name=settings.s3_region,
        aws_access_key_id=settings.s3_access_key_id or None,
        aws_secret_access_key=settings.s3_secret_access_key or None,
        config=config,
    )


@contextmanager
def errors_of_store(key: str) -> Iterator[None]:
    """Turn the client's errors into ours.

    Raises
    ------
    KeyUnknown
        If there is no such object.
    StoreAway
        For everything else: no answer, no access, no bucket.

    """
    try:
        yield
    except ClientError as error:
        code = error.response.get("Error", {}).get("Code", "")
        if code in NO_SUCH_KEY:
            raise KeyUnknown(key) from error
        raise StoreAway(f"the file store refuses: {code or error}") from error
    except (BotoCoreError, Boto3Error, HTTPClientError) as error:
        raise StoreAway(f"the file store cannot be reached: {type(error).__name__}: {error}"[:300]) from error

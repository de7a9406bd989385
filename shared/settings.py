"""Settings of a deployment, read from FIRSTPOUR_* variables where api and worker are assembled."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from shared.access import KEY_VARIABLE, AccessMode
from shared.addresses import AddressRules
from shared.bucket_names import bucket_fault, endpoint_fault

PREFIX = "FIRSTPOUR_"
MIB = 1024 * 1024


class Settings(BaseSettings):
    """One machine by default: SQLite, a local folder, an embedded broker, loopback only.

    database_url : empty means SQLite in the data folder;  broker_url : empty means the embedded broker
    """

    model_config = SettingsConfigDict(
        env_prefix=PREFIX,
        frozen=True,
        extra="forbid",
        hide_input_in_errors=True,  # the input may be a secret
    )

    data_dir: Path = Path("var")
    database_url: str = ""
    broker_url: str = ""
    access: AccessMode = AccessMode.OPEN  # keys: every request needs an access key, and any address may be listened on
    metrics_token: Annotated[str, Field(repr=False)] = ""  # what Prometheus sends where keys are used: figures of all
    host: str = "127.0.0.1"
    published_on_loopback_only: bool = False  # says that a container's 0.0.0.0 is published to the host's loopback only
    port: Annotated[int, Field(ge=0, le=65535)] = 8650
    webhook_networks: str = ""  # private networks that webhooks may call, such as "10.1.0.0/16,192.168.7.0/24"
    public_url: str = ""  # how callers reach us, if not http://host:port; https makes the cookie of pages Secure
    upload_limit_bytes: int = 4096 * MIB  # a 20 M point PLY with normals is 0.5 GB; leave room
    json_body_limit_bytes: int = 2 * MIB  # a plan of a few hundred lines is 100 kB
    soft_time_limit_s: int = 1500  # 20 M points take minutes; past this something is wrong
    hard_time_limit_s: int = 1800  # must stay below the broker's visibility timeout
    memory_limit_bytes: int = 12_288 * MIB  # twice what 20 M points need
    lease_s: int = 60  # three missed heartbeats
    heartbeat_s: int = 15
    sweep_every_s: int = 20
    max_attempts: int = 3
    queue_limit: Annotated[int, Field(ge=1)] = 1000  # jobs that wait; at a minute each, a day's work of one worker
    free_disk_floor_bytes: Annotated[int, Field(ge=0)] = 1024 * MIB  # room for reports and scratch of what runs
    unused_upload_days: Annotated[int, Field(ge=1)] = 7  # an upload nobody ordered anything with
    keep_days: Annotated[int, Field(ge=0)] = 0  # files of a finished inspection; 0 = for ever
    store_limit_bytes: Annotated[int, Field(ge=0)] = 0  # beyond it the oldest inspections' files go; 0 = no limit
    large_job_bytes: Annotated[int, Field(ge=1)] = 200 * MIB  # of all its files; an STL of 4 M triangles
    worker_takes: Literal["both", "small", "large"] = "both"  # which jobs a worker runs; both = small ones first
    thread_count: Annotated[int, Field(ge=0)] = 0  # native threads a job may use; 0 = cores / worker processes
    worker_processes: Annotated[int, Field(ge=1)] = 1
    s3_endpoint: str = ""  # of a store that speaks S3, as https://store.example:9000; empty = Amazon's own
    s3_region: str = "us-east-1"  # most stores other than Amazon's take this one
    s3_access_key_id: Annotated[str, Field(repr=False)] = ""  # both empty: as boto3 finds them, a machine's role say
    s3_secret_access_key: Annotated[str, Field(repr=False, validate_default=True)] = ""
    s3_bucket: Annotated[str, Field(validate_default=True)] = ""  # keeps the files; empty = the data folder does

    @field_validator("webhook_networks")
    @classmethod
    def _are_networks(cls, text: str) -> str:
        _ = AddressRules(text).networks
        return text

    @field_validator("s3_endpoint")
    @classmethod
    def _is_endpoint(cls, text: str) -> str:
        return _sound(text, endpoint_fault(text))

    @field_validator("s3_secret_access_key")
    @classmethod
    def _goes_with_its_id(cls, text: str, others: ValidationInfo) -> str:
        is_half = bool(text) != bool(others.data.get("s3_access_key_id"))
        return _sound(text, "set both S3_ACCESS_KEY_ID and S3_SECRET_ACCESS_KEY, or neither" if is_half else None)

    @field_validator("s3_bucket")
    @classmethod
    def _is_bucket(cls, text: str, others: ValidationInfo) -> str:
        is_wanting = not text and any(others.data.get(name) for name in ("s3_endpoint", "s3_access_key_id"))
        return _sound(text, "name the bucket, or unset the other S3 settings" if is_wanting else bucket_fault(text))

    @property
    def sql_url(self) -> str:
        """SQLAlchemy address of the database."""
        return self.database_url or f"sqlite:///{(self.data_dir / 'firstpour.sqlite3').resolve()}"

    @property
    def files_dir(self) -> Path:
        """Root of the file store; beside a bucket, of what is under way and of copies."""
        return self.data_dir / "files"


def _sound(text: str, fault: str | None) -> str:
    if fault is not None:
        raise ValueError(fault)
    return text


class UnknownSetting(RuntimeError):
    """A FIRSTPOUR_* variable that means nothing: most likely a typing error."""


def load_settings(environment: Mapping[str, str] | None = None) -> Settings:
    """Read the settings and refuse unknown FIRSTPOUR_* variables.

    pydantic-settings' own ``extra="forbid"`` catches a misspelt name in a file, not in the environment.
    """
    environment = os.environ if environment is None else environment
    known = {PREFIX + name.upper() for name in Settings.model_fields}
    unknown = sorted(
        name for name in environment if name.upper().startswith(PREFIX) and name.upper() not in {*known, KEY_VARIABLE}
    )
    if unknown:
        raise UnknownSetting(f"unknown setting {', '.join(unknown)}; known are {', '.join(sorted(known))}")
    return Settings()

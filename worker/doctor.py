"""Looks at a deployment from where it runs: what is sound, what is doubtful, what is wrong and what to do."""

from __future__ import annotations

import shutil
import stat
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from tempfile import NamedTemporaryFile

from alembic.script import ScriptDirectory
from sqlalchemy import select, text
from sqlalchemy.exc import SQLAlchemyError

from shared.broker import make_celery
from shared.database import alembic_config, open_database
from shared.settings import Settings
from shared.stores import open_store
from shared.tables import Base
from worker.health import Stamp, is_queue_stuck

LEAST_FREE_BYTES = 10 * 1024**3  # two uploads of the largest size and their reports
DOUBTFUL_FREE_BYTES = 50 * 1024**3
CLOCK_SLACK_S = 2.0  # leases last 60 s and beat every 15 s
CLOCK_LIMIT_S = 10.0
CONNECT_S = 4
PROBE, PROBE_KEY = b"?", "checks/doctor"
LIBRARIES = ("numpy", "scipy", "cadquery-ocp-novtk", "pye57", "lxml", "sqlalchemy", "celery", "fastapi", "uvicorn")
OPEN3D = ("open3d-cpu", "open3d")


class Finding(StrEnum):
    """How a check came out."""

    SOUND = "sound"
    DOUBTFUL = "doubtful"
    WRONG = "wrong"


@dataclass(frozen=True)
class Check:
    """One check; ``advice`` is empty where all is well."""

    name: str
    finding: Finding
    detail: str
    advice: str = ""


def examine(settings: Settings) -> list[Check]:
    """Every check, each by itself: none stops another."""
    checks: tuple[tuple[str, Callable[[Settings], Check]], ...] = (
        ("python and libraries", _libraries),
        ("data folder", _folder),
        ("permissions", _permissions),
        ("disk", _disk),
        ("file store", _store),
        ("database", _database),
        ("broker", _broker),
        ("clock", _clock),
        ("workers", _workers),
    )
    return [_guarded(name, check, settings) for name, check in checks]


def _guarded(name: str, check: Callable[[Settings], Check], settings: Settings) -> Check:
    try:
        return check(settings)
    except (OSError, SQLAlchemyError) as error:
        cause = str(error).splitlines()[0] if str(error) else type(error).__name__
        return Check(
            name, Finding.WRONG, f"{type(error).__name__}: {cause[:300]}", "Make it reachable, then look again."
        )


def _libraries(_settings: Settings) -> Check:
    name = "python and libraries"
    found = dict(_versions())
    shown = f"Python {sys.version.split()[0]}; " + ", ".join(f"{key} {value}" for key, value in found.items() if value)
    missing = [key for key, value in found.items() if value is None]
    if missing:
        return Check(name, Finding.WRONG, f"missing: {', '.join(missing)} ({shown})", "Install as the README says.")
    return Check(name, Finding.SOUND, shown)


def _versions() -> Iterator[tuple[str, str | None]]:
    for name in LIBRARIES:
        yield name, _version(name)
    yield "open3d", next(filter(None, map(_version, OPEN3D)), None)


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def _folder(settings: Settings) -> Check:
    settings.files_dir.mkdir(parents=True, exist_ok=True)
    with NamedTemporaryFile(dir=settings.files_dir, prefix=".doctor-") as file:
        file.write(b"?")
        file.flush()
    return Check("data folder", Finding.SOUND, f"{settings.data_dir.resolve()} can be written")


def _permissions(settings: Settings) -> Check:
    open_paths = [path for path in _private(settings.data_dir) if stat.S_IMODE(path.stat().st_mode) & 0o002]
    if open_paths:
        names = ", ".join(str(path) for path in open_paths[:5])
        return Check("permissions", Finding.WRONG, f"anyone on this machine may write {names}", "chmod o-w on them.")
    readable = stat.S_IMODE(settings.data_dir.stat().st_mode) & 0o004
    if readable:
        detail = f"anyone on this machine may read {settings.data_dir.resolve()}"
        return Check(
            "permissions", Finding.DOUBTFUL, detail, f"chmod o-rx {settings.data_dir} if others have accounts here."
        )
    return Check("permissions", Finding.SOUND, "only the owner and group may look in")


def _private(folder: Path) -> list[Path]:
    return [folder, *(path for path in folder.iterdir() if not path.is_symlink())]


def _disk(settings: Settings) -> Check:
    free = shutil.disk_usage(settings.data_dir).free
    shown = f"{free / 1024**3:.1f} GiB free beside {settings.data_dir.resolve()}"
    if free < LEAST_FREE_BYTES:
        return Check("disk", Finding.WRONG, shown, "Make room: the largest upload and its report need that much.")
    if free < DOUBTFUL_FREE_BYTES:
        return Check("disk", Finding.DOUBTFUL, shown, "Make room before the next large scans come.")
    return Check("disk", Finding.SOUND, shown)


def _store(settings: Settings) -> Check:
    """Sends, reads and deletes a file, as jobs do; the clock counts, because a store refuses keys from another hour."""
    if not settings.s3_bucket:
        return Check("file store", Finding.SOUND, "the data folder")
    store = open_store(settings)
    with NamedTemporaryFile(prefix="firstpour-") as file:
        file.write(PROBE)
        file.flush()
        store.put(Path(file.name), PROBE_KEY)
    sound = b"".join(store.read(PROBE_KEY)) == PROBE
    store.delete(PROBE_KEY)
    shown = f"bucket {settings.s3_bucket} at {settings.s3_endpoint or 'Amazon S3'}, {settings.s3_region}"
    if not sound:
        return Check("file store", Finding.WRONG, f"{shown}: other bytes came back than were sent", "Use another.")
    return Check("file store", Finding.SOUND, f"{shown}: a file was sent, read and deleted")


def _database(settings: Settings) -> Check:
    database = open_database(settings)
    try:
        with database.engine.connect() as connection:
            head = ScriptDirectory.from_config(alembic_config(connection)).get_current_head()
            tables = connection.dialect.get_table_names(connection)
            if "alembic_version" not in tables:
                return Check(
                    "database", Finding.WRONG, "it has no tables yet", "Start the service once; it makes them."
                )
            present = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
            for table in Base.metadata.sorted_tables if present == head else ():
                connection.execute(select(table).limit(1))
        kind = f"{connection.dialect.name}, tables of version {present}"
    finally:
        database.close()
    if present != head:
        advice = "Start this version of the service once; it brings the tables up to date."
        return Check("database", Finding.WRONG, f"{kind}; this program needs {head}", advice)
    return Check("database", Finding.SOUND, kind)


def _broker(settings: Settings) -> Check:
    app = make_celery(settings)
    with app.connection_for_write(connect_timeout=CONNECT_S) as connection:
        try:
            connection.ensure_connection(max_retries=1, interval_start=0, timeout=CONNECT_S)
        except Exception as error:  # noqa: BLE001 - kombu raises what each transport raises
            return Check(
                "broker", Finding.WRONG, f"{type(error).__name__}: {error}"[:300], "Start it; jobs wait until then."
            )
        return Check("broker", Finding.SOUND, f"{connection.transport.driver_type} answers")


def _clock(settings: Settings) -> Check:
    apart_s = {"disk": _apart_from_disk_s(settings), "database": _apart_from_database_s(settings)}
    shown = ", ".join(f"{seconds:+.1f} s from the {name}'s" for name, seconds in apart_s.items())
    worst_s = max(map(abs, apart_s.values()))
    if worst_s > CLOCK_LIMIT_S:
        return Check(
            "clock", Finding.WRONG, shown, "Set the clocks by NTP: a worker's lease would end too soon or late."
        )
    if worst_s > CLOCK_SLACK_S:
        return Check("clock", Finding.DOUBTFUL, shown, "Set the clocks by NTP.")
    return Check("clock", Finding.SOUND, shown)


def _apart_from_disk_s(settings: Settings) -> float:
    with NamedTemporaryFile(dir=settings.data_dir, prefix=".doctor-") as file:
        file.write(b"?")
        file.flush()
        return Path(file.name).stat().st_mtime - time.time()


def _apart_from_database_s(settings: Settings) -> float:
    database = open_database(settings)
    try:
        with database.engine.connect() as connection:
            if connection.dialect.name == "sqlite":
                return 0.0  # it has this machine's clock
            seconds = connection.execute(text("SELECT extract(epoch from clock_timestamp())")).scalar_one()
            return float(seconds) - time.time()
    finally:
        database.close()


def _workers(settings: Settings) -> Check:
    if not Stamp(settings).is_fresh():
        return Check(
            "workers", Finding.DOUBTFUL, "no worker on this machine swept lately", "Start one, here or elsewhere."
        )
    database = open_database(settings)
    try:
        is_stuck = is_queue_stuck(database)
    finally:
        database.close()
    if is_stuck:
        return Check("workers", Finding.WRONG, "jobs wait while nobody works", "Look into the worker's log.")
    return Check("workers", Finding.SOUND, "a worker on this machine swept lately")

"""All that a service keeps, written into a folder and read back: rows as lines of JSON, files as they are.

One way for SQLite and PostgreSQL, folder and bucket alike, so that it also moves a service from one to
the other.  The service may run: the rows are read in one transaction, then the files they name are
copied.  A published file never changes, so rows and files agree; a file deleted in between is named in
the manifest.  Half-received uploads are left out; their senders begin again.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import JSON, Column, Connection, LargeBinary, Select, Table, delete, insert, null, select, text

from shared import sharing_tables  # noqa: F401  its tables are part of a backup
from shared.access import DEFAULT_WORKSPACE
from shared.database import migrate, open_database
from shared.errors import Conflict, InputError
from shared.filestore import FileStore, KeyUnknown
from shared.settings import Settings
from shared.stores import open_store
from shared.tables import Base, UtcDateTime, Workspace

FORM = 1  # of the folder
MANIFEST, ROWS, FILES = "manifest.json", "rows.jsonl", "files"
KEY_COLUMNS = ("storage_key", "report_key")
LEFT_OUT = "partial_uploads"
CHUNK_BYTES = 1 << 20


@dataclass(frozen=True)
class Summary:
    """What a backup holds; ``missing`` are files that rows name and the store had no longer."""

    row_count: int
    file_count: int
    size_bytes: int
    missing: tuple[str, ...] = ()


def back_up(settings: Settings, out: Path) -> Summary:
    """Write a backup into a new folder ``out``; it has its name only when it is whole.

    Raises
    ------
    Conflict
        If the folder is there already.

    """
    if out.exists():
        raise Conflict(f"{out} is there already.", advice="Name a folder that does not exist yet.")
    aside = out.with_name(f".{out.name}.unfinished")
    shutil.rmtree(aside, ignore_errors=True)
    (aside / FILES).mkdir(parents=True)
    database = open_database(settings)
    try:
        with database.engine.connect() as connection:
            if connection.dialect.name == "postgresql":  # SQLite's transactions are so anyway
                connection.execution_options(isolation_level="REPEATABLE READ")
            revision = _revision(connection)
            row_count, keys = _write_rows(connection, aside / ROWS)
    finally:
        database.close()
    files, missing = _copy_files(open_store(settings), keys, aside / FILES)
    size_bytes = sum(int(entry["size_bytes"]) for entry in files.values())
    rows = {"sha256": _sha256(aside / ROWS), "count": row_count}
    manifest = {"form": FORM, "schema": revision, "rows": rows, "files": files, "missing": missing}
    (aside / MANIFEST).write_text(json.dumps(manifest, indent=1))
    _flush_all(aside)
    aside.rename(out)
    return Summary(row_count, len(files), size_bytes, tuple(missing))


def restore(settings: Settings, source: Path) -> Summary:
    """Read a backup into a service that is empty and does not run: files first, rows last and all at once.

    Raises
    ------
    InputError
        If the folder is no backup, is damaged, or is of another version.
    Conflict
        If the service holds anything.

    """
    manifest = _checked_manifest(source)
    migrate(settings)
    database = open_database(settings)
    try:
        with database.writing() as session:
            connection = session.connection()
            _check_fits(connection, manifest)
            store = open_store(settings)
            for key in manifest["files"]:
                store.put(source / FILES / key, key)
            connection.execute(delete(Workspace).where(Workspace.id == DEFAULT_WORKSPACE))  # the backup holds its own
            _read_rows(connection, source / ROWS)
    finally:
        database.close()
    size_bytes = sum(int(entry["size_bytes"]) for entry in manifest["files"].values())
    return Summary(manifest["rows"]["count"], len(manifest["files"]), size_bytes, tuple(manifest["missing"]))


def _tables() -> list[Table]:
    return [table for table in Base.metadata.sorted_tables if table.name != LEFT_OUT]


def _revision(connection: Connection) -> str:
    return str(connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one())


def _write_rows(connection: Connection, path: Path) -> tuple[int, list[str]]:
    """How many rows, and the keys of files that they name."""
    count, keys = 0, set[str]()
    with path.open("w", encoding="utf-8") as file:
        for table in _tables():
            for row in connection.execute(select(table)).mappings():
                values = {column.name: _encoded(row[column.name]) for column in table.columns}
                file.write(json.dumps({"table": table.name, "row": values}, ensure_ascii=False) + "\n")
                keys |= {row[name] for name in KEY_COLUMNS if row.get(name)}
                count += 1
    return count, sorted(keys)


def _encoded(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    return base64.b64encode(value).decode() if isinstance(value, bytes) else value


def _decoded(column: Column[Any], value: Any) -> Any:
    if value is None:
        return null() if isinstance(column.type, JSON) else None
    if isinstance(column.type, UtcDateTime):
        return datetime.fromisoformat(value)
    return base64.b64decode(value) if isinstance(column.type, LargeBinary) else value


def _read_rows(connection: Connection, path: Path) -> None:
    tables = {table.name: table for table in _tables()}
    for name, row in _lines(path):
        table = tables[name]
        values = {column.name: _decoded(column, row[column.name]) for column in table.columns if column.name in row}
        connection.execute(insert(table).values(values))


def _lines(path: Path) -> Iterator[tuple[str, Mapping[str, Any]]]:
    with path.open(encoding="utf-8") as file:
        for line in file:
            entry = json.loads(line)
            yield entry["table"], entry["row"]


def _copy_files(store: FileStore, keys: list[str], target: Path) -> tuple[dict[str, dict[str, Any]], list[str]]:
    """Files by key, those of folders one by one, and keys that were not there."""
    found: dict[str, dict[str, Any]] = {}
    missing = []
    for key in keys:
        names = store.keys_under(key)
        try:
            for name in names:
                found[name] = _copy_file(store.read(name), target / name)
        except KeyUnknown:
            names = []
        if not names:
            missing.append(key)
    return found, missing


def _copy_file(pieces: Iterator[bytes], target: Path) -> dict[str, Any]:
    target.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    with target.open("wb") as file:
        for data in pieces:
            file.write(data)
            digest.update(data)
        size_bytes = file.tell()
    return {"size_bytes": size_bytes, "sha256": digest.hexdigest()}


def _checked_manifest(source: Path) -> dict[str, Any]:
    try:
        manifest: dict[str, Any] = json.loads((source / MANIFEST).read_text())
        expected = {ROWS: manifest["rows"]["sha256"]}
        expected |= {f"{FILES}/{key}": entry["sha256"] for key, entry in manifest["files"].items()}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"{source} is no backup of Firstpour.", advice="Name a folder that backup wrote.") from error
    inside = source.resolve()
    for name, sha256 in expected.items():
        path = (source / name).resolve()
        if not path.is_relative_to(inside) or not path.is_file() or _sha256(path) != sha256:
            raise InputError(f"The backup {source} is damaged at {name}.", advice="Take another backup.", file=name)
    return manifest


def _check_fits(connection: Connection, manifest: Mapping[str, Any]) -> None:
    present = _revision(connection)
    if manifest.get("form") != FORM or manifest["schema"] != present:
        raise InputError(
            f"The backup has tables of version {manifest['schema']}, this program of version {present}.",
            advice="Restore it with the version of Firstpour that wrote it, then upgrade.",
        )
    full = [table.name for table in _tables() if connection.execute(_rows_of_others(table)).first() is not None]
    if full:
        raise Conflict(f"This service holds rows already: {', '.join(full)}.", advice="Restore into an empty one.")


def _rows_of_others(table: Table) -> Select[Any]:
    """Rows that no migration made: every new service has the default workspace."""
    rows = select(table).limit(1)
    return rows.where(table.c.id != DEFAULT_WORKSPACE) if table.name == Workspace.__tablename__ else rows


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while data := file.read(CHUNK_BYTES):
            digest.update(data)
    return digest.hexdigest()


def _flush_all(folder: Path) -> None:
    for path in (*folder.rglob("*"), folder):
        _flush(path)


def _flush(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

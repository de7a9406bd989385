"""Rows and stored files for tests of the worker."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select

from shared.access import DEFAULT_WORKSPACE
from shared.database import Database
from shared.filestore import FileStore
from shared.tables import FeatureDetection, Inspection, Job, Upload, new_id


def add_upload(
    database: Database, store: FileStore, name: str, content: bytes = b"solid", workspace_id: str = DEFAULT_WORKSPACE
) -> str:
    """A stored file and its row; the id."""
    with store.new_file() as file:
        file.write(content)
        stored = file.commit()
    upload = Upload(
        id=new_id("up"),
        workspace_id=workspace_id,
        file_name=name,
        size_bytes=stored.size_bytes,
        sha256=stored.sha256,
        storage_key=stored.key,
    )
    with database.writing() as session:
        session.add(upload)
    return upload.id


def add_inspection(
    database: Database, store: FileStore, title: str = "quick", scan: bytes = b"solid", **values: Any
) -> str:
    """A queued inspection with two small files; the id."""
    workspace_id = values.setdefault("workspace_id", DEFAULT_WORKSPACE)
    row = Inspection(
        id=new_id("insp"),
        title=title,
        nominal_upload_id=add_upload(database, store, "nominal.stl", workspace_id=workspace_id),
        scan_upload_id=add_upload(database, store, "scan.stl", scan, workspace_id),
        nominal_unit="mm",
        scan_unit="inch",
        **values,
    )
    with database.writing() as session:
        session.add(row)
    return row.id


def add_detection(database: Database, store: FileStore, title: str = "quick", **values: Any) -> str:
    """A queued detection of features; the id."""
    nominal_upload_id = add_upload(database, store, "nominal.stl")
    row = FeatureDetection(
        id=new_id("feat"),
        workspace_id=DEFAULT_WORKSPACE,
        title=title,
        nominal_upload_id=nominal_upload_id,
        nominal_unit="mm",
        **values,
    )
    with database.writing() as session:
        session.add(row)
    return row.id


def row_of(database: Database, job_id: str) -> Job:
    """The row as it stands."""
    with database.reading() as session:
        return session.scalars(select(Job).where(Job.id == job_id)).one()

"""Quotas under requests at once: the last place is given once."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import pytest
from sqlalchemy import func, select

from api.admission import caller_with
from api.quotas import check_bytes, check_jobs
from api.resources import LOCAL, Caller
from shared.access import Scope
from shared.database import Database, migrate, open_database
from shared.errors import LimitReached
from shared.keys import KeyTerms, create_key
from shared.settings import Settings
from shared.tables import FeatureDetection, Upload, new_id, utc_now
from tests.support.postgres import fresh_database, temporary_postgres

AT_ONCE = 12


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    if request.param == "sqlite":
        yield from opened(Settings(data_dir=tmp_path))
        return
    with temporary_postgres() as url:
        yield from opened(Settings(data_dir=tmp_path, database_url=fresh_database(url)))


def opened(settings: Settings) -> Iterator[Database]:
    migrate(settings)
    database = open_database(settings)
    yield database
    database.close()


def caller_in(database: Database) -> Caller:
    terms = KeyTerms(name="A", scopes=frozenset({Scope.WRITE}), open_jobs_limit=2, stored_bytes_limit=25)
    with database.writing() as session:
        return caller_with(create_key(session, LOCAL, terms).row)


def add_upload(database: Database, caller: Caller) -> None:
    with suppress(LimitReached), database.writing() as session:
        check_bytes(session, caller, 10)
        values = {"workspace_id": caller.workspace_id, "key_id": caller.key_id}
        session.add(Upload(id=new_id("up"), file_name="a", size_bytes=10, sha256="a", storage_key="a", **values))


def add_job(database: Database, caller: Caller, upload_id: str) -> None:
    with suppress(LimitReached), database.writing() as session:
        check_jobs(session, caller)
        values = {"workspace_id": caller.workspace_id, "key_id": caller.key_id}
        session.add(FeatureDetection(id=new_id("feat"), title="A", nominal_upload_id=upload_id, **values))


def count(database: Database, table: type[Upload | FeatureDetection]) -> int:
    with database.reading() as session:
        return session.scalars(select(func.count()).select_from(table)).one()


def test_files_sent_at_once_do_not_outgrow_the_room(database: Database) -> None:
    caller = caller_in(database)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        list(pool.map(lambda _: add_upload(database, caller), range(AT_ONCE)))
    assert count(database, Upload) == 2


def test_files_that_were_swept_take_no_room(database: Database) -> None:
    caller = caller_in(database)
    for _ in range(2):
        add_upload(database, caller)
    with database.writing() as session:
        for row in session.scalars(select(Upload)):
            row.swept_at = utc_now()
    add_upload(database, caller)
    assert count(database, Upload) == 3


def test_jobs_ordered_at_once_do_not_outnumber_the_quota(database: Database) -> None:
    caller = caller_in(database)
    add_upload(database, caller)
    with database.reading() as session:
        upload_id = session.scalars(select(Upload.id)).one()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        list(pool.map(lambda _: add_job(database, caller, upload_id), range(AT_ONCE)))
    assert count(database, FeatureDetection) == 2


def test_where_no_keys_are_used_there_is_no_quota(database: Database) -> None:
    with database.reading() as session:
        check_jobs(session, LOCAL)
        check_bytes(session, LOCAL, 2**60)

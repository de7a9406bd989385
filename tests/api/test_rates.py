"""The rate of a key: a bucket of a minute's requests, one for all processes."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from api.rates import WINDOW_S, Standing, spend
from api.resources import LOCAL
from shared.access import Scope
from shared.database import Database, migrate, open_database
from shared.keys import KeyTerms, create_key, rotate_key
from shared.settings import Settings
from shared.tables import ApiKey
from tests.support.postgres import fresh_database, temporary_postgres

NOW_S = 1_764_500_000.0
RATE = 7  # 60 s / 7 is no whole number of microseconds


@pytest.fixture(scope="module")
def postgres() -> Iterator[str]:
    with temporary_postgres() as url:
        yield url


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def settings(request: pytest.FixtureRequest, tmp_path: Path) -> Settings:
    if request.param == "sqlite":
        return Settings(data_dir=tmp_path)
    return Settings(data_dir=tmp_path, database_url=fresh_database(request.getfixturevalue("postgres")))


@pytest.fixture
def database(settings: Settings) -> Iterator[Database]:
    migrate(settings)
    database = open_database(settings)
    yield database
    database.close()


def key_in(database: Database, rate_per_minute: int = RATE) -> ApiKey:
    terms = KeyTerms(name="Scanner", scopes=frozenset({Scope.READ}), rate_per_minute=rate_per_minute)
    with database.writing() as session:
        return create_key(session, LOCAL, terms).row


def spend_at(database: Database, key: ApiKey, now_s: float) -> Standing:
    with database.counting() as session:
        return spend(session, key, now_s)


def let_in(database: Database, key: ApiKey, now_s: float, count: int) -> int:
    return sum(spend_at(database, key, now_s).retry_after_s is None for _ in range(count))


def test_a_full_bucket_holds_a_minutes_requests_and_no_more(database: Database) -> None:
    assert let_in(database, key_in(database), NOW_S, RATE + 3) == RATE


def test_it_fills_up_at_its_rate(database: Database) -> None:
    key = key_in(database)
    let_in(database, key, NOW_S, RATE)
    assert let_in(database, key, NOW_S + 2 * WINDOW_S / RATE, RATE) == 2
    assert let_in(database, key, NOW_S + 10 * WINDOW_S, RATE + 3) == RATE


def test_what_is_left_is_told_and_when_to_come_back(database: Database) -> None:
    key = key_in(database, 6)  # one every 10 s
    told = [spend_at(database, key, NOW_S) for _ in range(7)]
    assert [one.remaining for one in told] == [5, 4, 3, 2, 1, 0, 0]
    assert [one.full_after_s for one in told[:2]] == [10, 20]
    assert told[-1] == Standing(limit=6, remaining=0, full_after_s=60, retry_after_s=10)
    assert let_in(database, key, NOW_S + 10, 1) == 1


def test_a_refused_request_costs_nothing(database: Database) -> None:
    key = key_in(database, 6)
    let_in(database, key, NOW_S, 60)
    assert spend_at(database, key, NOW_S + 60).remaining == 5


def test_a_clock_turned_back_does_not_shut_a_key_out(database: Database) -> None:
    key = key_in(database)
    let_in(database, key, NOW_S, RATE)
    assert let_in(database, key, NOW_S - 86_400, 1) == 1


def test_keys_that_replaced_each_other_share_one_bucket(database: Database) -> None:
    old = key_in(database)
    with database.writing() as session:
        new = rotate_key(session, LOCAL, old.id).row
    assert let_in(database, old, NOW_S, 3) + let_in(database, new, NOW_S, RATE) == RATE


def test_other_keys_have_their_own(database: Database) -> None:
    first, second = key_in(database), key_in(database)
    let_in(database, first, NOW_S, RATE)
    assert let_in(database, second, NOW_S, 1) == 1


def test_threads_at_once_get_no_more_than_there_is(database: Database) -> None:
    key = key_in(database)
    with ThreadPoolExecutor(8) as pool:
        told = list(pool.map(lambda _: spend_at(database, key, NOW_S), range(4 * RATE)))
    assert sum(one.retry_after_s is None for one in told) == RATE


def spend_many(settings: Settings, key_id: str, count: int, answers: multiprocessing.Queue[int]) -> None:
    database = open_database(settings)
    with database.reading() as session:
        key = session.get_one(ApiKey, key_id)
    answers.put(let_in(database, key, NOW_S, count))
    database.close()


def test_processes_at_once_get_no_more_than_there_is(settings: Settings, database: Database) -> None:
    key = key_in(database, 50)
    context = multiprocessing.get_context("spawn")
    answers: multiprocessing.Queue[int] = context.Queue()
    processes = [context.Process(target=spend_many, args=(settings, key.id, 40, answers)) for _ in range(2)]
    for process in processes:
        process.start()
    found = [answers.get(timeout=120) for _ in processes]
    for process in processes:
        process.join(60)
    assert sum(found) == 50


def test_a_real_clock_will_do(database: Database) -> None:
    assert spend_at(database, key_in(database), time.time()).remaining == RATE - 1

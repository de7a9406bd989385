from __future__ import annotations

import multiprocessing
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from celery import Celery
from kombu import Connection

from shared.broker import QUEUE, drop_taken_messages, make_celery, send_job
from shared.settings import Settings
from tests.support.services import free_port

START_COUNT = 3


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data_dir=tmp_path / "var")


@pytest.fixture
def app(settings: Settings) -> Iterator[Celery]:
    app = make_celery(settings)
    yield app
    app.close()


def message_count(settings: Settings) -> int:
    with closing(sqlite3.connect(settings.data_dir / "broker.sqlite3")) as broker:
        return int(broker.execute("SELECT count(*) FROM kombu_message").fetchone()[0])


def take_one(connection: Connection) -> list[object]:
    """Arguments of the next message."""
    with connection.SimpleQueue(QUEUE) as queue:
        message = queue.get(timeout=5)
        message.ack()
    arguments: list[object] = message.payload[0]
    return arguments


def test_a_message_carries_the_id_and_nothing_else(app: Celery) -> None:
    assert send_job(app, "insp_1")
    with app.connection_for_read() as connection:
        assert take_one(connection) == ["insp_1"]


def test_taken_messages_are_dropped_and_waiting_ones_kept(app: Celery, settings: Settings) -> None:
    for number in range(3):
        send_job(app, f"insp_{number}")
    with app.connection_for_read() as connection:
        take_one(connection)
    assert drop_taken_messages(settings) == 1
    assert message_count(settings) == 2


def test_many_processes_may_start_on_an_empty_folder_at_once(settings: Settings) -> None:
    context = multiprocessing.get_context("spawn")
    starters = [context.Process(target=_send, args=(settings, f"insp_{number}")) for number in range(START_COUNT)]
    for starter in starters:
        starter.start()
    for starter in starters:
        starter.join()
    assert [starter.exitcode for starter in starters] == [0] * START_COUNT
    assert message_count(settings) == START_COUNT


def test_a_broker_out_of_reach_is_no_error(tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path, broker_url=f"redis://127.0.0.1:{free_port()}/0")
    assert not send_job(make_celery(settings), "insp_1")
    assert drop_taken_messages(settings) == 0


def test_redis_waits_longer_than_any_inspection_lasts(tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path, broker_url="redis://127.0.0.1:1/0")
    options = make_celery(settings).conf.broker_transport_options
    assert options["visibility_timeout"] >= 2 * settings.hard_time_limit_s
    assert options["socket_timeout"] > 0


def test_messages_are_json_acknowledged_late_and_held_one_at_a_time(app: Celery) -> None:
    conf = app.conf
    assert conf.accept_content == ["json"]
    assert (conf.task_acks_late, conf.task_reject_on_worker_lost, conf.task_ignore_result) == (True, True, True)
    assert conf.worker_prefetch_multiplier == 1


def _send(settings: Settings, inspection_id: str) -> None:
    if not send_job(make_celery(settings), inspection_id):
        raise SystemExit(3)

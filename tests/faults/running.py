"""Orders many jobs, kills at random while they run, and counts what came of them."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError

from shared.database import Database, open_database
from shared.states import InspectionState
from shared.tables import Inspection
from tests.faults.judging import Found, judge
from tests.faults.killing import Deployment, Killer
from tests.faults.orders import Caller, Order, make_orders
from tests.support.postgres import fresh_database, postgres_server
from tests.support.services import Service, redis_server, running_service, wait_for

FINAL = [state.value for state in InspectionState if state.is_final]
CALLER_COUNT = 2


@dataclass(frozen=True, kw_only=True)
class Campaign:
    """What to run.

    real_count : jobs that are inspected for real;  kill_every_s : mean pause between kills, ``kill_limit`` of them
    """

    job_count: int
    real_count: int = 0
    worker_count: int = 2
    kill_every_s: float = 2.0
    kill_limit: int = 1_000_000
    seed: int = 1
    within_s: float = 300.0


def run_campaign(campaign: Campaign, folder: Path) -> Found:
    """Run it on servers of our own."""
    rng = random.Random(campaign.seed)  # noqa: S311 - to be repeatable, not secret
    orders = make_orders(campaign.job_count, campaign.real_count, rng)
    with _deployment(folder, campaign.worker_count) as deployment:
        begin_s = time.monotonic()
        with Killer(deployment, rng, every_s=campaign.kill_every_s, limit=campaign.kill_limit) as killer:
            callers = _order_all(deployment.service, orders)
            accepted = {number: name for caller in callers for number, name in caller.accepted.items()}
            with closing(open_database(deployment.service.settings)) as database:
                wait_for(lambda: _are_final(database, len(accepted)), "every job has ended", campaign.within_s)
        wall_s = time.monotonic() - begin_s
        found = judge(deployment.service, orders, accepted)
    retry_count = sum(caller.retry_count for caller in callers)
    return replace(found, kills=killer.kills, wall_s=wall_s, retried_request_count=retry_count)


@contextmanager
def _deployment(folder: Path, worker_count: int) -> Iterator[Deployment]:
    with (
        redis_server() as redis,
        postgres_server() as postgres,
        running_service(
            folder,
            database_url=fresh_database(postgres.url),
            broker_url=redis.url,
            worker_processes=str(worker_count),
        ) as service,
    ):
        deployment = Deployment(service, redis, postgres, worker_count)
        try:
            yield deployment
        finally:
            deployment.end()


def _order_all(service: Service, orders: list[Order]) -> list[Caller]:
    def order_some(first: int) -> Caller:
        with service.client as client:
            caller = Caller(client)
            for order in orders[first::CALLER_COUNT]:
                caller.order(order)
        return caller

    with ThreadPoolExecutor(CALLER_COUNT) as pool:
        return list(pool.map(order_some, range(CALLER_COUNT)))


def _are_final(database: Database, count: int) -> bool:
    try:
        with database.reading() as session:
            ended = session.scalars(select(Inspection.id).where(Inspection.state.in_(FINAL))).all()
    except SQLAlchemyError:  # PostgreSQL is being killed too
        return False
    return len(ended) >= count

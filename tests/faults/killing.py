"""A deployment whose processes are started again when they die, and a killer that sees to it that they do."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Self

from tests.faults import pipelines
from tests.support.postgres import Postgres
from tests.support.services import Redis, Service, children_of, stop

LOOK_EVERY_S = 0.2


@dataclass(eq=False)
class Kept:
    """One process, started again when it dies, as a supervisor does."""

    start: Callable[[], subprocess.Popen[bytes]]
    process: subprocess.Popen[bytes] = field(init=False)

    def __post_init__(self) -> None:
        self.process = self.start()

    def look(self) -> None:
        """Start it again if it died."""
        if self.process.poll() is not None:
            self.process = self.start()


class Deployment:
    """API, workers, Redis and PostgreSQL."""

    def __init__(self, service: Service, redis: Redis, postgres: Postgres, worker_count: int) -> None:
        self.service, self.redis, self.postgres = service, redis, postgres
        (api,) = service.processes  # the caller started it and waited for it
        self._api = Kept(lambda: service.start("api") if api.poll() is not None else api)
        self.workers = [
            Kept(lambda: service.start("worker", "--pipeline", pipelines.NAME)) for _ in range(worker_count)
        ]
        self._ended = threading.Event()
        self._keeper = threading.Thread(target=self._keep)
        self._keeper.start()

    def kill_job(self, rng: random.Random) -> bool:
        """Kill -9 the process of a job that runs; False if none does."""
        jobs = [job for worker in self.workers for job in children_of(worker.process.pid)]
        return bool(jobs) and _kill(rng.choice(jobs))

    def kill_worker(self, rng: random.Random) -> bool:
        """Kill -9 a worker, and its job with it."""
        return _kill(rng.choice(self.workers).process.pid)

    def kill_api(self, _rng: random.Random) -> bool:
        """Kill -9 the API."""
        return _kill(self._api.process.pid)

    def empty_redis(self, _rng: random.Random) -> bool:
        """Kill -9 Redis and start it empty."""
        self.redis.kill()
        self.redis.start()
        return True

    def crash_postgres(self, _rng: random.Random) -> bool:
        """Stop PostgreSQL at once and start it again."""
        self.postgres.crash()
        self.postgres.start()
        return True

    def end(self) -> None:
        """Stop everything that was started here."""
        self._ended.set()
        self._keeper.join()
        for kept in (*self.workers, self._api):
            stop(kept.process)

    def _keep(self) -> None:
        while not self._ended.wait(LOOK_EVERY_S):
            for kept in (self._api, *self.workers):
                kept.look()


KILLS: dict[str, tuple[Callable[[Deployment, random.Random], bool], int]] = {
    "job processes": (Deployment.kill_job, 40),
    "workers": (Deployment.kill_worker, 25),
    "API": (Deployment.kill_api, 15),
    "Redis": (Deployment.empty_redis, 15),
    "PostgreSQL": (Deployment.crash_postgres, 5),
}


class Killer:
    """Kills something every now and then until told to stop or ``limit`` is reached: first each kind once, then any."""

    def __init__(self, deployment: Deployment, rng: random.Random, *, every_s: float, limit: int) -> None:
        self._deployment, self._rng, self._every_s, self._limit = deployment, rng, every_s, limit
        self.kills: Counter[str] = Counter()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _run(self) -> None:
        due = list(KILLS)
        self._rng.shuffle(due)
        while not self._ended.wait(self._rng.uniform(0.5, 1.5) * self._every_s):
            name = due[-1] if due else self._rng.choices(list(KILLS), [weight for _, weight in KILLS.values()])[0]
            if KILLS[name][0](self._deployment, self._rng):
                self.kills[name] += 1
                due = due[:-1]
            if self.kills.total() >= self._limit:
                return


def _kill(pid: int) -> bool:
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
        return True
    return False

"""What is ordered, and a caller who does not give up: every request has its own Idempotency-Key."""

from __future__ import annotations

import random
import time
from dataclasses import dataclass, field
from typing import Any

import httpx

from tests.faults.pipelines import REAL
from tests.support.services import STL

REJECT_SHARE, POISON_SHARE = 0.08, 0.05
GIVE_UP_S = 120.0


@dataclass(frozen=True)
class Order:
    """One job to order: its title says what it does; no two have the same files."""

    number: int
    title: str
    nominal: bytes
    scan: bytes
    ending: str

    @property
    def is_poison(self) -> bool:
        """Whether it crashes whatever is done."""
        return self.title.startswith("die")


def make_orders(count: int, real_count: int, rng: random.Random) -> list[Order]:
    """That many orders in random order."""
    fakes = [_fake(number, rng) for number in range(count - real_count)]
    reals = [_real(number) for number in range(count - real_count, count)]
    orders = fakes + reals
    rng.shuffle(orders)
    return orders


def _fake(number: int, rng: random.Random) -> Order:
    drawn = rng.random()
    if drawn < REJECT_SHARE:
        title = "reject"
    elif drawn < REJECT_SHARE + POISON_SHARE:
        title = "die 11"
    else:
        title = f"slow {rng.uniform(0.1, 1.0):.2f}"
    return Order(number, title, STL, STL + b"\n" * (number + 1), "stl")


def _real(number: int) -> Order:
    from tests.faults.pieces import nominal_stl, scan_xyz  # noqa: PLC0415 - brings a CAD kernel along

    return Order(number, f"{REAL} {number}", nominal_stl(), scan_xyz(number), "xyz")


@dataclass
class Caller:
    """Orders over HTTP; a broken line or a fault of the server is tried again under the same key."""

    client: httpx.Client
    accepted: dict[int, str] = field(default_factory=dict)
    retry_count: int = 0

    def order(self, wanted: Order) -> None:
        """Upload two files and order an inspection."""
        ids = [
            self._post(f"/v1/uploads?name={name}.{ending}", f"{wanted.number} {name}", content=content)["id"]
            for name, ending, content in (("nominal", "stl", wanted.nominal), ("scan", wanted.ending, wanted.scan))
        ]
        body = {"title": wanted.title, "nominal_upload_id": ids[0], "scan_upload_id": ids[1], "unit": "mm"}
        self.accepted[wanted.number] = self._post("/v1/inspections", f"{wanted.number}", json=body)["id"]

    def _post(self, path: str, key: str, **body: Any) -> dict[str, Any]:
        give_up_s = time.monotonic() + GIVE_UP_S
        while True:
            try:
                answer = self.client.post(path, headers={"Idempotency-Key": key}, **body)
            except httpx.TransportError:
                if time.monotonic() > give_up_s:
                    raise
            else:
                if not answer.is_server_error or time.monotonic() > give_up_s:
                    found: dict[str, Any] = answer.raise_for_status().json()
                    return found
            self.retry_count += 1
            time.sleep(0.2)

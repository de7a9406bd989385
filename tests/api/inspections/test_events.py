"""Progress arrives as it happens, and streams end when the work or the server does."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.support.live import GRACE_S, Live, live_service


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Live]:
    with live_service(tmp_path) as live:
        yield live


def events(live: Live, address: str, **headers: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Name and data of every event of a stream."""
    with httpx.stream("GET", live.url + address, headers=headers, timeout=20) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        name = ""
        for line in answer.iter_lines():
            if line.startswith("event: "):
                name = line.removeprefix("event: ")
            elif line.startswith("data: "):
                yield name, json.loads(line.removeprefix("data: "))


def test_every_step_is_told_and_the_stream_ends(live: Live) -> None:
    ordered = live.service.order()
    seen = []
    for name, data in events(live, ordered["links"]["events"]):
        seen.append((name, data["state"], data["stage"]))
        if data["state"] == "queued":
            live.service.move(ordered["id"], state="running", stage="align", progress=0.3)
        elif data["state"] == "running":
            live.service.finish(ordered["id"])
    assert seen == [("progress", "queued", None), ("progress", "running", "align"), ("end", "done", "report")]


def test_one_who_comes_late_or_again_gets_the_end_at_once(live: Live) -> None:
    ordered = live.service.order()
    live.service.finish(ordered["id"])
    seen = list(events(live, ordered["links"]["events"], **{"Last-Event-ID": "running-align-0.3000-1-False"}))
    assert [(name, data["state"]) for name, data in seen] == [("end", "done")]


def test_an_unknown_inspection_is_refused_before_the_stream(live: Live) -> None:
    answer = live.service.client.get("/v1/inspections/insp_0/events")
    assert (answer.status_code, answer.json()["code"]) == (404, "not_found")


def test_open_streams_do_not_hold_up_a_server_that_stops(live: Live) -> None:
    address = live.service.order()["links"]["events"]
    begun = [threading.Event() for _ in range(3)]

    def follow(mine: threading.Event) -> None:
        for _ in events(live, address):
            mine.set()

    followers = [threading.Thread(target=follow, args=(each,)) for each in begun]
    for follower in followers:
        follower.start()
    assert all(each.wait(10) for each in begun)
    started_s = time.monotonic()
    assert live.stop()
    assert time.monotonic() - started_s < GRACE_S / 2
    for follower in followers:
        follower.join(5)


def test_a_follower_who_leaves_is_let_go(live: Live) -> None:
    address = live.service.order()["links"]["events"]
    for _ in range(3):
        next(events(live, address))
    route = 'route="/v1/inspections/{inspection_id}/events",status="200"'
    deadline_s = time.monotonic() + 10
    while f"{route}}} 3.0" not in live.service.client.get("/metrics").text:
        assert time.monotonic() < deadline_s
        time.sleep(0.1)

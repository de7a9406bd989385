"""Servers and browser the tests may need, and the wall around this machine.

A test marked ``redis``, ``postgres`` or ``chromium`` is skipped where that program is missing; the
last lines of the run name every such test, and with ``--require-services`` the run fails.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from pytest_socket import socket_allow_hosts

from worker.threads import thread_environment

os.environ.update(thread_environment(2))  # as a job has it, before anybody loads BLAS

NEEDED: dict[str, tuple[str, Callable[[], bool]]] = {
    "redis": ("redis-server", lambda: shutil.which("redis-server") is not None),
    "postgres": ("a PostgreSQL server", lambda: any(Path("/usr/lib/postgresql").glob("*/bin/postgres"))),
    "chromium": ("chromium", lambda: shutil.which("chromium") is not None),
}
WANTING = "not run, needs "


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--require-services",
        action="store_true",
        help="fail when a test was skipped for want of redis-server, PostgreSQL or chromium",
    )


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    missing = {mark: name for mark, (name, is_there) in NEEDED.items() if not is_there()}
    for item in items:
        wanting = [mark for mark in missing if item.get_closest_marker(mark)]
        for mark in wanting[:1]:
            item.add_marker(pytest.mark.skip(reason=f"{WANTING}{missing[mark]}"))


def not_run(config: pytest.Config) -> list[tuple[str, str]]:
    """What each skipped test wanted, and its name; whichever process was to run it."""
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    reasons = [(report.longrepr, report.nodeid) for report in reporter.stats.get("skipped", [])] if reporter else []
    texts = [(str(reason[-1]), name) for reason, name in reasons if isinstance(reason, tuple)]
    return [(text.split(WANTING, 1)[1], name) for text, name in texts if WANTING in text]


def pytest_sessionfinish(session: pytest.Session, exitstatus: int | pytest.ExitCode) -> None:
    is_required = session.config.getoption("--require-services")
    if is_required and exitstatus == pytest.ExitCode.OK and not_run(session.config):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.hookimpl(trylast=True)
def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for need, name in not_run(config):
        terminalreporter.write_line(f"NOT RUN (needs {need}): {name}", yellow=True)


@pytest.hookimpl(trylast=True)
def pytest_runtest_setup() -> None:
    """No test reaches beyond this machine."""
    socket_allow_hosts(["127.0.0.1", "::1", "localhost"], allow_unix_socket=True)

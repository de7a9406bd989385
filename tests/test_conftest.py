from __future__ import annotations

import socket

import pytest

pytest_plugins = ["pytester"]
OTHER_MACHINE = ("192.0.2.1", 80)  # RFC 5737: an address that belongs to nobody

MISSING = """
from tests.conftest import *
from tests.conftest import NEEDED
NEEDED["redis"] = ("redis-server", lambda: False)
"""
TESTS = """
import pytest
@pytest.mark.redis
def test_with_a_queue(): raise AssertionError("must not run")
def test_alone(): assert True
"""


def test_no_test_reaches_another_machine() -> None:
    with socket.socket() as other, pytest.raises(UserWarning, match=OTHER_MACHINE[0]):  # warnings are errors here
        other.connect(OTHER_MACHINE)


@pytest.mark.parametrize("processes", ["0", "2"])
@pytest.mark.parametrize(("options", "code"), [([], 0), (["--require-services"], 1)])
def test_tests_without_their_server_are_named_last_and_fail_where_required(
    options: list[str], code: int, processes: str, pytester: pytest.Pytester
) -> None:
    pytester.makeconftest(MISSING)
    pytester.makeini("[pytest]\nmarkers = redis: needs a redis-server\n")
    pytester.makepyfile(TESTS)
    result = pytester.runpytest_subprocess("--numprocesses", processes, *options)
    assert result.ret == code
    result.assert_outcomes(passed=1, skipped=1)
    result.stdout.fnmatch_lines(["NOT RUN (needs redis-server): *test_with_a_queue"])

"""Pauses between attempts, as the standard's example has them."""

from __future__ import annotations

import pytest

from worker.delivery.schedule import ATTEMPT_LIMIT, JITTER_SHARE, LONGEST_WISH_S, pause_s

# Standard Webhooks 1.0.0, "Deliverability and reliability", column "Time since start", in seconds
PUBLISHED_TIMES_S = [5, 305, 2105, 9305, 27305, 63305, 113705, 185705, 272105]


def test_attempts_fall_on_the_published_times() -> None:
    pauses = [pause_s(made, None, 0.0) or 0.0 for made in range(1, ATTEMPT_LIMIT)]
    assert [sum(pauses[: made + 1]) for made in range(len(pauses))] == PUBLISHED_TIMES_S


def test_after_the_last_attempt_there_is_none() -> None:
    assert pause_s(ATTEMPT_LIMIT, None, 0.0) is None
    assert pause_s(ATTEMPT_LIMIT, 60.0, 0.5) is None


@pytest.mark.parametrize("made", range(1, ATTEMPT_LIMIT))
def test_chance_only_adds_and_never_more_than_its_share(made: int) -> None:
    least, most = pause_s(made, None, 0.0), pause_s(made, None, 1.0)
    assert least is not None
    assert most == pytest.approx(least * (1 + JITTER_SHARE))


@pytest.mark.parametrize(("wished_s", "expected_s"), [(1.0, 5.0), (600.0, 600.0), (1e9, LONGEST_WISH_S)])
def test_a_wish_counts_if_it_is_longer_and_not_absurd(wished_s: float, expected_s: float) -> None:
    assert pause_s(1, wished_s, 0.0) == expected_s

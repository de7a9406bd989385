"""When a message that did not arrive is sent again."""

from __future__ import annotations

# Standard Webhooks 1.0.0, "Deliverability and reliability": its example of a schedule, ten attempts in three days.
PAUSES_S = (5.0, 300.0, 1800.0, 7200.0, 18_000.0, 36_000.0, 50_400.0, 72_000.0, 86_400.0)
ATTEMPT_LIMIT = len(PAUSES_S) + 1
JITTER_SHARE = 0.2  # so that receivers that were down together are not all called in one second
LONGEST_WISH_S = 86_400.0  # of a receiver's Retry-After


def pause_s(attempts_made: int, wished_s: float | None, chance: float) -> float | None:
    """Seconds until the next attempt, or None if the last was the last.

    attempts_made : 1 after the first;  wished_s : the receiver's Retry-After, kept if it is the longer
    chance : 0 to 1, decides how much is added
    """
    if attempts_made >= ATTEMPT_LIMIT:
        return None
    planned_s = PAUSES_S[attempts_made - 1] * (1 + JITTER_SHARE * chance)
    return max(planned_s, min(wished_s or 0.0, LONGEST_WISH_S))

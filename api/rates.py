"""How many requests a key may make: a bucket that fills at its rate and holds what a minute brings.

Kept in the database, which every API process shares and which must be there anyway: one atomic
statement looks, takes and writes, so no two requests take the same token.  Instead of the tokens
the row holds the moment at which the bucket is full again (the generic cell rate algorithm, ITU-T
I.371, from memory): one number, and nothing to fill up in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sqlalchemy import case, or_, select, update
from sqlalchemy.orm import Session

from shared.tables import ApiKey, KeyRate

WINDOW_S = 60
SECOND_US = 1_000_000
WINDOW_US = WINDOW_S * SECOND_US
STRAY_US = 2 * WINDOW_US  # no bucket is ever emptied so far: the clock was turned back


@dataclass(frozen=True)
class Standing:
    """What is left to a key.

    limit : requests a minute;  remaining : requests that would be let in now
    full_after_s : until all of them are back;  retry_after_s : None if this request was let in
    """

    limit: int
    remaining: int
    full_after_s: int
    retry_after_s: int | None


def spend(session: Session, key: ApiKey, now_s: float) -> Standing:
    """Take one request of a key's allowance, if there is one left."""
    now_us = round(now_s * SECOND_US)
    step_us = WINDOW_US // key.rate_per_minute  # whole microseconds: sums of fractions would miss the last request
    known = KeyRate.spent_until_us
    start_us = case((or_(known < now_us, known > now_us + STRAY_US), now_us), else_=known)
    taken = session.scalar(
        update(KeyRate)
        .where(KeyRate.family_id == key.family_id, start_us + step_us <= now_us + WINDOW_US)
        .values(spent_until_us=start_us + step_us)
        .returning(KeyRate.spent_until_us)
        .execution_options(synchronize_session=False)
    )
    if taken is not None:
        return _standing(key, taken - now_us, step_us, None)
    spent_us = session.scalars(select(known).where(KeyRate.family_id == key.family_id)).one() - now_us
    return _standing(key, spent_us, step_us, max(1, math.ceil((spent_us + step_us - WINDOW_US) / SECOND_US)))


def _standing(key: ApiKey, spent_us: int, step_us: int, retry_after_s: int | None) -> Standing:
    return Standing(
        limit=key.rate_per_minute,
        remaining=max(0, (WINDOW_US - spent_us) // step_us),
        full_after_s=math.ceil(spent_us / SECOND_US),
        retry_after_s=retry_after_s,
    )

"""How many requests a key may make: a bucket that fills at its rate and holds what a minute brings.

Kept in the database, which every API process shares and which must be there anyway: one atomic
statement looks, takes and writes, so no two requests take the same token.  Instead of the tokens
the row holds the moment at which the bucket is full again (the generic cell rate algorithm, ITU-T
I.371, from memory): one number, and nothing to fill up in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sqlalchemy import and_, case, or_, select, update
from sqlalchemy.orm import Session

from shared.tables import ApiKey, KeyRate

WINDOW_S = 60.0
ROUNDING_S = 1e-6  # the sum of a minute's steps, at 1.7e9 s since 1970
STRAY_S = 2 * WINDOW_S  # no bucket is ever emptied so far: the clock was turned back


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
    step_s = WINDOW_S / key.rate_per_minute
    known = KeyRate.spent_until_s
    start = case((or_(known < now_s, known > now_s + STRAY_S), now_s), else_=known)
    is_left = start + step_s <= now_s + WINDOW_S + ROUNDING_S
    taken = session.scalar(
        update(KeyRate)
        .where(and_(KeyRate.family_id == key.family_id, is_left))
        .values(spent_until_s=start + step_s)
        .returning(KeyRate.spent_until_s)
        .execution_options(synchronize_session=False)
    )
    if taken is not None:
        return _standing(key, taken - now_s, step_s, None)
    spent_s = session.scalars(select(known).where(KeyRate.family_id == key.family_id)).one() - now_s
    return _standing(key, spent_s, step_s, max(1, math.ceil(spent_s + step_s - WINDOW_S)))


def _standing(key: ApiKey, spent_s: float, step_s: float, retry_after_s: int | None) -> Standing:
    return Standing(
        limit=key.rate_per_minute,
        remaining=max(0, math.floor((WINDOW_S - spent_s + ROUNDING_S) / step_s)),
        full_after_s=math.ceil(spent_s),
        retry_after_s=retry_after_s,
    )

"""Whose turn it is: the order in which free jobs are taken, whatever message woke the worker.

small before large          a scan of 50 M points keeps nobody waiting who sends a small part,
except that nothing waits longer than STARVED_S for its size
those served least first    of all workspaces with work waiting: which has the fewest jobs running, then whose
last job began longest ago; 100 jobs of one delay no other by more than one
oldest first
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta

from sqlalchemy import Select, case, func, or_, select
from sqlalchemy.orm import aliased

from shared.settings import Settings
from shared.states import InspectionState, SizeClass
from shared.tables import Job
from worker.lease import is_free

STARVED_S = 900  # a large job that waited for so long is as good as a small one
CANDIDATE_COUNT = 10  # more than workers that ask in the same millisecond


def sizes_taken(settings: Settings) -> list[SizeClass]:
    """Size classes this worker takes."""
    return list(SizeClass) if settings.worker_takes == "both" else [SizeClass(settings.worker_takes)]


def in_turn(now: datetime, sizes: Collection[SizeClass], max_attempts: int) -> Select[str]:
    """Ids of the free jobs of these size classes whose turn it is, first one first."""
    other = aliased(Job)
    running = (
        select(func.count())
        .where(
            other.state == InspectionState.RUNNING.value,
            other.lease_until >= now,
            other.workspace_id == Job.workspace_id,
        )
        .correlate(Job)
        .scalar_subquery()
    )
    begun = aliased(Job)
    of_same = select(func.max(begun.started_at)).where(begun.workspace_id == Job.workspace_id)
    last_begun = of_same.correlate(Job).scalar_subquery()
    is_early = or_(Job.size_class == SizeClass.SMALL.value, Job.created_at < now - timedelta(seconds=STARVED_S))
    return (
        select(Job.id)
        .where(
            is_free(now),
            Job.size_class.in_([size.value for size in sizes]),
            Job.attempts < max_attempts,
            Job.cancel_requested.is_(False),
        )
        .order_by(case((is_early, 0), else_=1), running, last_begun.asc().nulls_first(), Job.created_at, Job.id)
        .limit(CANDIDATE_COUNT)
    )

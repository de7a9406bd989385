"""A short campaign; ``python -m tests.faults --jobs 300`` is the long one."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.killing import KILLS
from tests.faults.running import Campaign, run_campaign

pytestmark = [pytest.mark.redis, pytest.mark.postgres, pytest.mark.timeout(1800)]
CAMPAIGN = Campaign(job_count=16, kill_every_s=1.5, kill_limit=8, within_s=1500)


def test_whatever_is_killed_nothing_is_lost_and_nothing_done_twice(tmp_path: Path) -> None:
    found = run_campaign(CAMPAIGN, tmp_path)
    print(found.text())  # noqa: T201 - shown when it fails
    assert found.faults == {}
    assert found.accepted_count == CAMPAIGN.job_count
    assert found.kills.keys() == KILLS.keys()
    assert found.states["done"] > 0

"""``python -m tests.faults --jobs 300``: kill at random, then count; ends with 1 if anything was lost or doubled."""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.faults.running import Campaign, run_campaign


def main() -> int:
    """Run one campaign and print its figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--jobs", type=int, default=300)
    parser.add_argument("--real", type=int, default=0, help="how many of them are inspections of a bracket for real")
    parser.add_argument("--workers", type=int, default=3)
    parser.add_argument("--kill-every-s", type=float, default=4.0, help="mean pause between kills")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--within-s", type=float, default=6 * 3600.0)
    options = parser.parse_args()
    campaign = Campaign(
        job_count=options.jobs,
        real_count=options.real,
        worker_count=options.workers,
        kill_every_s=options.kill_every_s,
        seed=options.seed,
        within_s=options.within_s,
    )
    with tempfile.TemporaryDirectory(prefix="firstpour-faults-") as folder:
        found = run_campaign(campaign, Path(folder))
    sys.stdout.write(f"{campaign}\n{found.text()}\n")
    return 1 if found.faults else 0


if __name__ == "__main__":
    sys.exit(main())

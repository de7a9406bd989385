"""``python -m worker``: one worker process; start as many as there is memory for."""

from __future__ import annotations

import argparse

from shared.settings import load_settings
from worker.app import make_worker
from worker.job import PIPELINE, die_with_parent
from worker.logs import configure_logs


def main(arguments: list[str] | None = None) -> None:
    """Run one worker."""
    parser = argparse.ArgumentParser(prog="python -m worker", description="Run one Firstpour worker.")
    parser.add_argument("--pipeline", default=PIPELINE, help="module:function that runs an inspection")
    parser.add_argument("--parent-pid", type=int, help="end when this process, which started us, does")
    options = parser.parse_args(arguments)
    if options.parent_pid is not None:
        die_with_parent(options.parent_pid)
    configure_logs()
    make_worker(load_settings(), options.pipeline).run()


if __name__ == "__main__":
    main()

"""``python -m worker``: one worker process; start as many as there is memory for."""

from __future__ import annotations

import argparse
import warnings

from celery.exceptions import SecurityWarning

from shared.settings import load_settings
from worker.app import make_worker
from worker.job import PIPELINE
from worker.logs import configure_logs


def main(arguments: list[str] | None = None) -> None:
    """Run one worker."""
    parser = argparse.ArgumentParser(prog="python -m worker", description="Run one Firstpour worker.")
    parser.add_argument("--pipeline", default=PIPELINE, help="module:function that runs an inspection")
    options = parser.parse_args(arguments)
    configure_logs()
    warnings.simplefilter("ignore", SecurityWarning)  # about root and pickled messages; ours are JSON
    make_worker(load_settings(), options.pipeline).run()


if __name__ == "__main__":
    main()

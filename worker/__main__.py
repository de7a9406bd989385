"""``python -m worker``: one worker process; start as many as there is memory for."""

from __future__ import annotations

import argparse
import sys
import warnings

from celery.exceptions import SecurityWarning

from shared.logs import configure_logs
from shared.settings import UnknownSetting, load_settings
from worker.app import make_worker
from worker.exit_codes import ExitCode


def main(arguments: list[str] | None = None) -> int:
    """Run one worker until it is told to stop."""
    parser = argparse.ArgumentParser(prog="python -m worker", description="Run one Firstpour worker.")
    parser.add_argument("--pipeline", help="module:function that runs every job, in place of its own")
    options = parser.parse_args(arguments)
    try:
        settings = load_settings()
    except (UnknownSetting, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return ExitCode.FAILED
    configure_logs()
    warnings.simplefilter("ignore", SecurityWarning)  # about root and pickled messages; ours are JSON
    make_worker(settings, options.pipeline).run()
    return ExitCode.CONFORMS


if __name__ == "__main__":
    sys.exit(main())

"""``python -m tests.fuzz --inputs 100000``: damaged inputs for every reader; ends with 1 if one was answered badly.

Every input must give a sound record or an error named in ``shared.errors``.  Our own readers may not
even die, hang or swell in their own process.  OpenCASCADE and the E57 library may: that is what the
guarded child is for, and a share of all inputs goes through it from this process.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter

from tests.fuzz.arena import scratch_folder
from tests.fuzz.campaign import Tally, keep, run_target
from tests.fuzz.guarded import run_guarded
from tests.fuzz.guided import run_guided
from tests.fuzz.targets import TARGETS

HEADING = "reader     inputs   records    errors   held  FOUND  inputs/s"
GUARDED_EVERY = 250  # starting a process for each takes as long as 200 inputs without one


def main(arguments: list[str] | None = None) -> int:
    """Run, print one line a reader, keep what was found."""
    asked = _parser().parse_args(arguments)
    names = asked.reader or list(TARGETS)
    if asked.guided_s:
        return max(run_guided(name, asked.guided_s) for name in names)
    whole = sum(TARGETS[name].share for name in names)
    print(f"seed {asked.seed}\n{HEADING}")
    tallies = [_one(name, asked.seed, round(asked.inputs * TARGETS[name].share / whole)) for name in names]
    files = [name for name in names if TARGETS[name].is_file]
    guarded = _guarded(files, asked.seed, asked.inputs // GUARDED_EVERY)
    print(f"all: {sum(tally.input_count for tally in tallies)} inputs and {sum(guarded.values())} through the guard")
    return 1 if any(tally.findings for tally in tallies) or guarded["FINDING"] else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--inputs", type=int, default=100_000, help="in all, shared out over the readers")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--reader", action="append", choices=list(TARGETS), help="only this one; may be repeated")
    parser.add_argument("--guided-s", type=int, default=0, help="guided by coverage (atheris), for so long a reader")
    return parser


def _one(name: str, seed: int, count: int) -> Tally:
    tally = run_target(name, seed, count)
    found, records = tally.outcomes["FINDING"], tally.outcomes["record"]
    errors = tally.input_count - found - records - tally.held_count
    rate = tally.input_count / tally.seconds if tally.seconds else 0.0
    print(
        f"{'':8}{name:8} {tally.input_count:8} {records:8} {errors:8} {tally.held_count:6} {found:6} {rate:7.0f}",
        flush=True,
    )
    for place, many in Counter(" ".join(outcome.split()[:2]) for _, outcome in tally.findings).most_common():
        print(f"    {many} x {place}")
    for path in keep(name, seed, tally.findings):
        print(f"    kept {path}")
    return tally


def _guarded(names: list[str], seed: int, count: int) -> Counter[str]:
    began, outcomes = time.monotonic(), Counter[str]()
    with scratch_folder() as folder:
        for index in range(count if names else 0):
            outcome = run_guarded(names[index % len(names)], seed, index // len(names), folder)
            outcomes["FINDING" if outcome.startswith("!") else outcome] += 1
            if outcome.startswith("!"):
                print(f"    through the guard: {names[index % len(names)]} {index // len(names)} {outcome}")
    print(f"through the guard in {time.monotonic() - began:.0f} s: {dict(outcomes)}")
    return outcomes


if __name__ == "__main__":
    sys.exit(main())

"""Does the true value lie in measured +- U in 95 of 100 cases, kind by kind?

    .venv/bin/python -m tests.benchmarks.coverage [--part features] [--inspections 1000] [--processes 2] [--only REGEX]

Simulated inspections of a small casting with features of every kind: random errors of every face, noise of 0.01 to
0.05 mm, surface missing in one region and on one side of some holes, a quarter of the pieces shrunk, random pose.
Each is measured and judged as the worker does it.  Truths are closed forms or exact computations on the noise-free
surface that share nothing with the code judged (tests/benchmarks/coverage_truth.py).  ``--part decisions`` takes
another casting, and what a shop decides before metal is poured (tests/benchmarks/coverage_decisions_truth.py).

One inspection in 20 searches its pose from nothing; the others start from a coarse pose up to 10 degrees and 5 % of
the size off, and go through the same refinement: pose and covariance are the real ones in all.  One in 10 is
also judged by Monte Carlo (JCGM 101), shown beside the law of propagation for those same cases.

Lengths cannot be less than nothing.  Where the truth is nothing, or less than U, an interval of two sides holds it
more often than one in which errors of both signs have room; these cases are counted apart, and there more than
95 % is as it should be.  ``rms error / u`` is the root mean square of error over standard uncertainty: 1 is ideal.
"""

from __future__ import annotations

import argparse
import os
import pickle
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from tests.benchmarks.coverage_run import FULL_SEARCH_EVERY, KITS, MONTE_CARLO_EVERY, Row, inspected
from worker.threads import thread_environment

STATED = 0.95
ALLOWED = 0.02
HEADER = (
    f"{'characteristic':34s} {'judged':>7s} {'covered':>8s} {'within 2 %':>10s} {'mean U':>8s} {'rms e/u':>8s} "
    f"{'bias/u':>7s} {'MC: gum':>8s} {'MC':>6s} {'not measured':>12s}"
)


def covered(rows: Sequence[Row]) -> list[bool]:
    """Whether the truth lies within U, for each row that has both."""
    return [abs(row.measured - row.truth) <= row.U for row in judged(rows)]  # type: ignore[operator]  # judged has all


def judged(rows: Sequence[Row]) -> list[Row]:
    """Rows with a measured value and a truth to compare it with."""
    return [row for row in rows if row.truth is not None and row.measured is not None and row.U is not None]


def is_near_zero(row: Row) -> bool:
    """Whether a length that cannot be negative is truly less than its own uncertainty."""
    return row.is_length and row.truth is not None and row.U is not None and row.truth < row.U


def table(rows: Sequence[Row]) -> Iterator[str]:
    """Lines of the report: each kind, then near nothing apart."""
    groups = list(dict.fromkeys(row.group for row in rows))
    yield HEADER
    yield "-- errors of both signs have room --"
    for group in groups:
        yield from _line(group, [row for row in rows if row.group == group and not is_near_zero(row)])
    everything = [row for row in rows if not is_near_zero(row)]
    yield from _line("all of these", everything)
    yield "-- lengths whose truth is less than U: more than 95 % is right here --"
    for group in groups:
        yield from _line(group, [row for row in rows if row.group == group and is_near_zero(row)], is_upper=False)


def _line(name: str, rows: Sequence[Row], *, is_upper: bool = True) -> Iterator[str]:
    known = judged(rows)
    absent = sum(row.measured is None for row in rows)
    if not known:
        if absent:
            yield f"{name:34s} {0:7d} {'':63s} {absent:12d}"
        return
    share = float(np.mean(covered(known)))
    error = np.array([row.measured - row.truth for row in known])  # type: ignore[operator]  # judged has all
    half = np.array([row.U for row in known], dtype=np.float64)
    sigma = np.maximum(half / [row.k for row in known], 1e-12)
    drawn = [row for row in known if row.U_monte_carlo is not None]
    both = f"{np.mean(covered(drawn)):8.1%} {_monte_carlo(drawn):6.1%}" if drawn else f"{'':15s}"
    word = _word(share, len(known), is_upper=is_upper)
    yield (
        f"{name:34s} {len(known):7d} {share:8.1%} {word:>10s} {half.mean():8.4f} "
        f"{np.sqrt(np.mean((error / sigma) ** 2)):8.2f} {np.mean(error / sigma):7.2f} {both} {absent:12d}"
    )


def _word(share: float, count: int, *, is_upper: bool) -> str:
    """yes, or by which side it misses; 'few' where chance alone (two standard deviations) is wider than the 2 %."""
    off = share - STATED
    if abs(off) <= ALLOWED or (off > 0 and not is_upper):
        return "yes"
    chance = 2 * np.sqrt(STATED * (1 - STATED) / count)
    return "few" if abs(off) <= max(ALLOWED, chance) else "LOW" if off < 0 else "high"


def _monte_carlo(rows: Sequence[Row]) -> float:
    held = [abs(row.measured - row.truth) <= row.U_monte_carlo for row in rows]  # type: ignore[operator]  # all given
    return float(np.mean(held))


def reasons(rows: Sequence[Row]) -> Iterator[str]:
    """Why characteristics were not measured, without their figures."""
    counts: Counter[str] = Counter()
    for row in rows:
        if row.measured is None and row.why is not None:
            words = [word for word in row.why.split() if not any(sign.isdigit() for sign in word)]
            counts[" ".join(words)[:110]] += 1
    for why, count in counts.most_common(25):
        yield f"{count:7d}  {why}"


def simulated(numbers: Sequence[int], processes: int, inspect: Callable[[int], list[Row]]) -> list[Row]:
    """All rows of these inspections."""
    rows: list[Row] = []
    os.environ.update(thread_environment(1))  # read by each process as it loads its libraries
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        for index, found in enumerate(pool.map(inspect, numbers, chunksize=2)):
            rows += found
            if index % 20 == 19:
                sys.stderr.write(f"{index + 1} of {len(numbers)}\n")
    return rows


def main(arguments: Sequence[str] | None = None) -> None:
    """Simulate, print."""
    parser = argparse.ArgumentParser(description="Coverage of stated uncertainties.")
    parser.add_argument("--part", choices=KITS, default="features", help="of the drawing, or the decisions")
    parser.add_argument("--inspections", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="number of the first inspection")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", default="", help="judge only characteristics whose kind matches this expression")
    parser.add_argument("--rows", type=Path, help="keep all rows in this file")
    parser.add_argument("--read", type=Path, nargs="+", help="simulate nothing: the table of rows kept before")
    given = parser.parse_args(arguments)
    if given.read:
        say([row for path in given.read for row in pickle.loads(path.read_bytes())])  # noqa: S301 our own files
        return
    begun = time.time()
    inspect = partial(inspected, seed=given.seed, only=given.only, part=given.part)
    rows = simulated(range(given.first, given.first + given.inspections), given.processes, inspect)
    if given.rows:
        given.rows.write_bytes(pickle.dumps(rows))
    print(
        f"{given.inspections} simulated inspections, seed {given.seed}, {time.time() - begun:.0f} s on "
        f"{given.processes} processes; pose searched from nothing in 1 of {FULL_SEARCH_EVERY}, else refined from a "
        f"coarse pose up to 10 degrees and 5 % of size off; Monte Carlo in 1 of {MONTE_CARLO_EVERY}"
    )
    say(rows)


def say(rows: Sequence[Row]) -> None:
    """Print the table, and why lines were not measured."""
    for line in table(rows):
        print(line)
    print("\nnot measured, and why:")
    for line in reasons(rows):
        print(line)


if __name__ == "__main__":
    main()

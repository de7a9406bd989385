"""Runs many inputs of one target in arenas that may die, and counts what came of each."""

from __future__ import annotations

import os
import selectors
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.fuzz.arena import REPOSITORY
from tests.fuzz.targets import TARGETS, input_of

SILENT_CPU_S = 60.0  # without a line: the arena ends itself at a quarter of it; starting takes five seconds
LOOK_EVERY_S = 5.0
FOUND = REPOSITORY / "tests" / "files" / "fuzz"
KEPT_A_PLACE = 2  # inputs kept of one fault
HELD = ("!time", "!memory", "!died")  # what the guard is there for, where machine code reads


@dataclass
class Tally:
    """What came of the inputs of one target."""

    outcomes: Counter[str] = field(default_factory=Counter)
    findings: list[tuple[int, str]] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def input_count(self) -> int:
        return sum(self.outcomes.values())

    @property
    def held_count(self) -> int:
        """Inputs that ended their process, in a target where the guard turns that into a named error."""
        return sum(count for outcome, count in self.outcomes.items() if outcome.startswith("held"))


def run_target(target: str, seed: int, count: int) -> Tally:
    """Read ``count`` inputs; a process that dies is started again behind the input that killed it."""
    tally, next_index, began = Tally(), 0, time.monotonic()
    while next_index < count:
        for index, outcome in _one_arena(target, seed, next_index, count):
            _enter(tally, target, index, outcome)
            next_index = index + 1
    tally.seconds = time.monotonic() - began
    return tally


def _enter(tally: Tally, target: str, index: int, outcome: str) -> None:
    if not outcome.startswith("!"):
        tally.outcomes[outcome] += 1
    elif TARGETS[target].is_native and outcome.startswith(HELD):
        tally.outcomes["held " + outcome.split(maxsplit=1)[0].strip("!")] += 1
    else:
        tally.outcomes["FINDING"] += 1
        tally.findings.append((index, outcome))


def _one_arena(target: str, seed: int, first: int, last: int) -> Iterator[tuple[int, str]]:
    """Lines of one process, then, if it died before the end, the input that killed it."""
    expected = first
    with _started(target, seed, first, last) as process:
        for index, outcome in _lines(process):
            yield index, outcome
            expected = index + 1
        if expected < last:
            yield expected, f"!died {_cause(process)}"


@contextmanager
def _started(target: str, seed: int, first: int, last: int) -> Iterator[subprocess.Popen[bytes]]:
    command = [sys.executable, "-P", "-m", "tests.fuzz.arena", target, str(seed), str(first), str(last)]
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, env=environment, cwd=REPOSITORY)
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


def _lines(process: subprocess.Popen[bytes]) -> Iterator[tuple[int, str]]:
    assert process.stdout is not None
    rest, selector = b"", selectors.DefaultSelector()
    selector.register(process.stdout, selectors.EVENT_READ)
    heard_at_s = 0.0
    while True:
        while not selector.select(LOOK_EVERY_S):
            if cpu_seconds(process.pid) - heard_at_s > SILENT_CPU_S:
                selector.close()
                return
        heard_at_s = cpu_seconds(process.pid)
        data = os.read(process.stdout.fileno(), 65536)
        if not data:
            break
        *lines, rest = (rest + data).split(b"\n")
        for line in lines:
            index, _, outcome = line.decode().partition("\t")
            yield int(index), outcome
    selector.close()


def cpu_seconds(pid: int) -> float:
    """Processor time of a process so far: on a busy machine its silence says nothing."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _cause(process: subprocess.Popen[bytes]) -> str:
    try:
        code = process.wait(timeout=5)
    except subprocess.TimeoutExpired:
        return f"silent for {SILENT_CPU_S:g} s"
    return signal.Signals(-code).name if code < 0 else f"exit code {code}"


def keep(target: str, seed: int, findings: list[tuple[int, str]], folder: Path = FOUND) -> list[Path]:
    """Write inputs of each fault aside as tests; the same fault at the same place is kept twice at most."""
    places: Counter[str] = Counter()
    kept = []
    for index, outcome in findings:
        place = " ".join(outcome.split()[:2])
        places[place] += 1
        if places[place] <= KEPT_A_PLACE:
            one = input_of(target, seed, index)
            path = folder / target / f"{seed}-{index}-{one.name}"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(one.content)
            kept.append(path)
    return kept

"""``python -m tests.fuzz.arena TARGET SEED FIRST LAST``: reads many inputs, one line each, and may die of one.

A line is ``index TAB outcome``; an outcome that begins with ``!`` is no good answer.
"""

from __future__ import annotations

import os
import resource
import signal
import sys
import tempfile
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TextIO

from tests.fuzz.seeds import seeds_of
from tests.fuzz.targets import TARGETS, Input, Reader, input_of, outcome_of

CPU_LIMIT_S = 5.0  # a sound file of this size takes a hundredth of it
MEMORY_LIMIT_BYTES = 1 << 30  # above what the libraries take; the inputs are below 300 kB
REPOSITORY = Path(__file__).parents[2]
OURS = ("api", "shared", "worker")
QUICK_FOLDER = Path("/dev/shm")  # noqa: S108 - flushing forms to a real disk would take most of the time


class TookTooLong(BaseException):
    """Raised by the timer; no handler in a library takes it for its own."""


def main(arguments: list[str]) -> int:
    """Read the inputs FIRST to LAST - 1 of one target."""
    target, seed, first, last = arguments[0], *map(int, arguments[1:])
    warnings.simplefilter("error")
    with quiet_output() as answers, scratch_folder() as folder:
        warm_up(target, folder)
        for index in range(first, last):
            one = input_of(target, seed, index)
            with limited_memory():
                outcome = verdict(TARGETS[target].read, one, folder)
            answers.write(f"{index}\t{outcome}\n")
            answers.flush()
    return 0


@contextmanager
def quiet_output() -> Iterator[TextIO]:
    """What was standard output, for us alone: libraries of machine code write there too."""
    with os.fdopen(os.dup(1), "w") as answers, Path(os.devnull).open("w") as nowhere:
        for descriptor in (1, 2):
            os.dup2(nowhere.fileno(), descriptor)
        yield answers


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """In memory where the system has such a place."""
    place = QUICK_FOLDER if os.access(QUICK_FOLDER, os.W_OK) else None
    with tempfile.TemporaryDirectory(dir=place, prefix="firstpour-fuzz-") as name:
        yield Path(name)


def warm_up(target: str, folder: Path) -> None:
    """Load what the target needs, and make sure that sound inputs are taken."""
    for name, content in seeds_of(target).items():
        outcome_of(TARGETS[target].read, Input(name, content), folder)


@contextmanager
def limited_memory() -> Iterator[None]:
    """This process may take little more than it has."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    before = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + MEMORY_LIMIT_BYTES, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)


def verdict(read: Reader, one: Input, folder: Path, cpu_limit_s: float = CPU_LIMIT_S) -> str:
    """The outcome, or ``!`` and what went wrong, with the place of ours nearest to it."""
    signal.signal(signal.SIGPROF, _on_timer)
    signal.setitimer(signal.ITIMER_PROF, cpu_limit_s)
    signal.setitimer(signal.ITIMER_VIRTUAL, 3.0 * cpu_limit_s)  # ends the process: machine code hears no handler
    try:
        return outcome_of(read, one, folder)
    except TookTooLong as error:
        return f"!time {_place(error)}"
    except MemoryError as error:
        return f"!memory {_place(error)}"
    except BaseException as error:  # noqa: BLE001 - to tell of it is what this is for
        return f"!{type(error).__name__} {_place(error)} {str(error)[:120]!r}"
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)


def _on_timer(number: int, frame: FrameType | None) -> None:
    raise TookTooLong


def _place(error: BaseException) -> str:
    frames = [frame for frame in traceback.extract_tb(error.__traceback__) if _is_ours(frame.filename)]
    return f"{Path(frames[-1].filename).relative_to(REPOSITORY)}:{frames[-1].lineno}" if frames else "elsewhere"


def _is_ours(name: str) -> bool:
    path = Path(name)
    return path.is_relative_to(REPOSITORY) and path.relative_to(REPOSITORY).parts[0] in OURS


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

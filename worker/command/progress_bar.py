"""A progress bar on standard error; silent where nobody watches."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

STAGE_WORDS = {
    None: "Starting",
    "send": "Sending the files",
    "read": "Reading the files",
    "align": "Aligning the scan",
    "deviation": "Measuring deviation",
    "thickness": "Measuring walls",
    "judge": "Judging",
    "report": "Writing the report",
}


class Show(Protocol):
    """Shows where an inspection stands."""

    def __call__(self, stage: str | None, share: float) -> None:
        """``share`` of the whole is done."""


@contextmanager
def progress_bar() -> Iterator[Show]:
    """A bar that is gone at the end."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description:<20}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task(STAGE_WORDS[None], total=1.0)

        def show(stage: str | None, share: float) -> None:
            progress.update(task, description=STAGE_WORDS[stage], completed=share)

        yield show

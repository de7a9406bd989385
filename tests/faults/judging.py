"""What must hold when everything has come to rest, whatever was killed on the way."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import select

from shared.database import Database, open_database
from shared.filestore import LocalFileStore
from shared.retention import Retention
from shared.settings import Settings
from shared.states import InspectionState
from shared.tables import Inspection, Upload
from tests.faults.orders import Order
from tests.support.services import Service

DIED = "worker_died"
CAUSES = {"reject": "file_truncated", "die": DIED}  # by the first word of the title; any other may only be killed


@dataclass(frozen=True)
class Found:
    """Figures, and the names of jobs with which something is wrong: those lists must be empty."""

    accepted_count: int
    states: Counter[str]
    errors: Counter[str]
    attempts: Counter[int]
    lost: list[str]
    ordered_twice: list[str]
    wrongly_ended: list[str]
    without_its_report: list[str]
    with_another_report: list[str]
    left_behind: list[str]
    tried_too_often: list[str]
    kills: Counter[str] = field(default_factory=Counter)
    retried_request_count: int = 0
    wall_s: float = 0.0

    @property
    def faults(self) -> dict[str, list[str]]:
        """Every list that is not empty."""
        return {name: value for name, value in vars(self).items() if isinstance(value, list) and value}

    def text(self) -> str:
        """The figures, a line each."""
        figures = {
            "jobs accepted": self.accepted_count,
            "jobs a second": f"{self.accepted_count / self.wall_s:.2f} over {self.wall_s:.0f} s",
            "killed": _counts(self.kills),
            "requests sent again": self.retried_request_count,
            "states": _counts(self.states),
            "errors": _counts(self.errors),
            "attempts": _counts(self.attempts),
            "faults": self.faults or "none",
        }
        return "\n".join(f"{name:<20} {value}" for name, value in figures.items())


def judge(service: Service, orders: Sequence[Order], accepted: Mapping[int, str]) -> Found:
    """Compare what was accepted with rows and files."""
    settings = service.settings
    with closing(open_database(settings)) as database:
        _sweep_a_day_later(settings, database)
        with database.reading() as session:
            rows = {row.id: row for row in session.scalars(select(Inspection))}
            kept = {key.rpartition("/")[2] for key in session.scalars(select(Upload.storage_key))}
    titles = {accepted[order.number]: order.title for order in orders}
    known = [row for row in rows.values() if row.id in titles]
    reports = settings.files_dir / "reports"
    return Found(
        accepted_count=len(accepted),
        states=Counter(row.state for row in known),
        errors=Counter(row.error["code"] for row in known if row.error),
        attempts=Counter(row.attempts for row in known),
        lost=[name for name in titles if name not in rows or not InspectionState(rows[name].state).is_final],
        ordered_twice=[name for name in rows if name not in titles],
        wrongly_ended=[row.id for row in known if not _ends_as_it_may(row)],
        without_its_report=[row.id for row in known if row.report_key and not _is_whole(row, reports.parent)],
        with_another_report=[row.id for row in known if _report_keys(row.id, reports) - {row.report_key}],
        left_behind=sorted(_files_below(settings.files_dir, "aside", "uploads") ^ kept),
        tried_too_often=[row.id for row in known if row.attempts > settings.max_attempts],
    )


def _sweep_a_day_later(settings: Settings, database: Database) -> None:
    """What crashes left in the store is swept when it is a day old: make it so old."""
    for path in settings.files_dir.rglob("*"):
        os.utime(path, (0, 0))
    Retention(database, LocalFileStore(settings.files_dir), settings).sweep()


def _files_below(folder: Path, *names: str) -> set[str]:
    return {path.name for name in names for path in (folder / name).rglob("*") if path.is_file()}


def _ends_as_it_may(row: Inspection) -> bool:
    """Done with a report, or failed with the reason its title causes; any job may have been killed three times."""
    word = row.title.split()[0]
    if row.state == InspectionState.DONE:
        return word not in CAUSES and row.report_key is not None
    reason = row.error or {}
    return (
        row.state == InspectionState.FAILED
        and row.report_key is None
        and bool(reason.get("message") and reason.get("advice"))
        and (reason["code"] == CAUSES.get(word) or (reason["code"] == DIED and row.attempts == 3))
    )


def _is_whole(row: Inspection, files: Path) -> bool:
    """Its report can be read and is its own."""
    folder = files / str(row.report_key)
    report = json.loads((folder / "report.json").read_bytes())
    return report["run"]["inspection_id"] == row.id and (folder / "report.html").stat().st_size > 0


def _report_keys(inspection_id: str, reports: Path) -> set[str]:
    """Keys of all reports kept of one inspection."""
    return {f"reports/{path.parent.name}/{path.name}" for path in (reports / inspection_id).glob("*")}


def _counts(counter: Counter[str] | Counter[int]) -> str:
    return ", ".join(f"{name}: {count}" for name, count in sorted(counter.items())) or "none"

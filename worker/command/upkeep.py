"""What ``firstpour upkeep`` does: holds, quarantine and sweeping, in the deployment's own database and store."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from shared import audit
from shared.database import Database, open_database
from shared.errors import NotFound, RequestInvalid
from shared.retention import Retention, stored_bytes
from shared.settings import MIB, Settings, UnknownSetting, load_settings
from shared.stores import open_store
from shared.tables import Inspection, Part
from worker.command import talking
from worker.command.keys_here import Operator
from worker.quarantine import quarantined, release

SHORTEST_BEGINNING = 8


def list_quarantine(data_dir: Path | None) -> None:
    """A line for every set of files, newest first."""
    with _database(_settings(data_dir)) as database, database.reading() as session:
        rows = quarantined(session)
    for row in rows:
        talking.say(f"{row.id[:12]}  {row.created_at:%Y-%m-%d}  {', '.join(row.file_names)}: {row.error['message']}")
    if not rows:
        talking.say("No files are quarantined.")


def release_files(beginning: str, data_dir: Path | None) -> None:
    """Raises RequestInvalid for too short a beginning, NotFound when no id begins so."""
    if len(beginning) < SHORTEST_BEGINNING:
        raise RequestInvalid(f"{beginning!r} is too short.", advice=f"Give {SHORTEST_BEGINNING} letters or more.")
    with _database(_settings(data_dir)) as database, database.writing() as session:
        count = release(session, beginning)
    if count == 0:
        raise NotFound(f"No quarantined files begin with {beginning}.", advice="See firstpour upkeep quarantine.")
    talking.say("Released: jobs with these files run again.")


def set_hold(name: str, data_dir: Path | None, *, hold: bool) -> None:
    """Set or take off a hold; raises NotFound."""
    with _database(_settings(data_dir)) as database, database.writing() as session:
        row = session.get(Inspection, name) or session.get(Part, name)
        if row is None:
            raise NotFound(f"There is no inspection or part {name}.", advice="Copy its id from the page or the API.")
        if hold != row.hold:
            kind = "part" if isinstance(row, Part) else "inspection"
            audit.note(session, Operator(row.workspace_id), f"{kind}.{'held' if hold else 'hold_ended'}", row.id)
        row.hold = hold
    talking.say(f"{name}: {'its files are kept whatever their age' if hold else 'no longer held'}.")


def sweep_files(data_dir: Path | None) -> None:
    """Sweep once and say what went and what is left."""
    settings = _settings(data_dir)
    with _database(settings) as database:
        swept = Retention(database, open_store(settings), settings).sweep()
        with database.reading() as session:
            left = ", ".join(f"{kind} {size / MIB:.1f} MiB" for kind, size in stored_bytes(session).items())
    counts = f"{swept.report_count} reports, {swept.upload_count} uploads, {swept.leftover_count} leftovers"
    talking.say(f"Deleted: {counts}. Left: {left}.")


def _settings(data_dir: Path | None) -> Settings:
    try:
        settings = load_settings()
    except (UnknownSetting, ValueError) as error:
        raise RequestInvalid(f"{error}.", advice="Correct the variable or unset it.") from error
    return settings if data_dir is None else settings.model_copy(update={"data_dir": data_dir})


@contextmanager
def _database(settings: Settings) -> Iterator[Database]:
    """The database of the deployment, if there is one already: its API brings it up to date, not we."""
    if not settings.database_url and not (settings.data_dir / "firstpour.sqlite3").exists():
        raise NotFound(f"There is no service in {settings.data_dir}.", advice="Name its folder with --data-dir.")
    database = open_database(settings)
    try:
        yield database
    finally:
        database.close()

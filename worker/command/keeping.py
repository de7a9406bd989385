"""The commands of whoever keeps the service: ``doctor``, ``backup``, ``restore``.

As in :mod:`worker.command.main`, nothing heavy is imported before a command runs.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from worker.command import talking
from worker.exit_codes import ExitCode

if TYPE_CHECKING:
    from shared.settings import Settings
    from worker.backup import Summary

DataDir = Annotated[Path | None, typer.Option(help="Folder for database, files and queue.")]
Json = Annotated[bool, typer.Option("--json", help="The result as JSON on standard output, and nothing else there.")]
MARKS = {"sound": "ok", "doubtful": "? ", "wrong": "✗ "}


def doctor(*, data_dir: DataDir = None, as_json: Json = False) -> None:
    """Look at disk, database, broker, clock, libraries and workers; ends with 2 if something is wrong."""
    from worker.doctor import Finding, examine  # noqa: PLC0415 - see above

    checks = examine(_settings(data_dir))
    if as_json:
        talking.say_json({"checks": [vars(check) for check in checks]})
    for check in [] if as_json else checks:
        talking.say(f"{MARKS[check.finding]} {check.name}: {check.detail}")
        if check.advice:
            talking.say(f"     What to do: {check.advice}")
    is_wrong = any(check.finding is Finding.WRONG for check in checks)
    raise typer.Exit(ExitCode.FAILED if is_wrong else ExitCode.CONFORMS)


def backup(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder to make.")],
    *,
    data_dir: DataDir = None,
    as_json: Json = False,
) -> None:
    """Write all rows and files into a new folder; the service may run."""
    from worker.backup import back_up  # noqa: PLC0415 - see above

    _say(back_up(_settings(data_dir), out), f"Written to {out}", as_json=as_json)


def restore(
    source: Annotated[Path, typer.Argument(metavar="IN", help="Folder that backup wrote.")],
    *,
    data_dir: DataDir = None,
    as_json: Json = False,
) -> None:
    """Read a backup into a service that is empty and stopped."""
    from worker.backup import restore as read_back  # noqa: PLC0415 - see above

    _say(read_back(_settings(data_dir), source), f"Restored from {source}", as_json=as_json)


def add_commands(app: typer.Typer) -> None:
    """Give them to the command."""
    for command in (doctor, backup, restore):
        app.command()(command)


def _settings(data_dir: Path | None) -> Settings:
    from worker.command.serving import given_settings  # noqa: PLC0415 - see above

    return given_settings({} if data_dir is None else {"data_dir": data_dir})


def _say(summary: Summary, done: str, *, as_json: bool) -> None:
    if as_json:
        talking.say_json(vars(summary))
    else:
        talking.say(f"{done}: {summary.row_count} rows, {summary.file_count} files of {summary.size_bytes} bytes.")
    for key in summary.missing:
        talking.note(f"firstpour: a row names {key}, which the file store did not have.")
    raise typer.Exit(ExitCode.FINDINGS if summary.missing else ExitCode.CONFORMS)

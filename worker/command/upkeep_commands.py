"""The commands of whoever runs the server: ``firstpour upkeep``.

They read the settings of the deployment (FIRSTPOUR_*) and change its rows and files directly, so they
work while the API is down.  As in :mod:`worker.command.main`, nothing heavy is imported before one runs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from worker.exit_codes import ExitCode

upkeep_app = typer.Typer(
    name="upkeep", help="For whoever runs the server: holds, quarantine, sweeping.", no_args_is_help=True,
    rich_markup_mode=None,
)  # fmt: skip
DataDir = Annotated[Path | None, typer.Option(help="Folder of the service.  [default: FIRSTPOUR_DATA_DIR, or var]")]


@upkeep_app.command()
def quarantine(*, data_dir: DataDir = None) -> None:
    """List files that ended the process of a job as often as it was tried."""
    from worker.command.upkeep import list_quarantine  # noqa: PLC0415 - see above

    list_quarantine(data_dir)
    raise typer.Exit(ExitCode.CONFORMS)


@upkeep_app.command()
def release(
    beginning: Annotated[str, typer.Argument(metavar="ID", help="What the id begins with, 8 letters or more.")],
    *,
    data_dir: DataDir = None,
) -> None:
    """Let quarantined files be worked on again."""
    from worker.command.upkeep import release_files  # noqa: PLC0415 - see above

    release_files(beginning, data_dir)
    raise typer.Exit(ExitCode.CONFORMS)


@upkeep_app.command()
def hold(
    name: Annotated[str, typer.Argument(metavar="ID", help="Of an inspection or a part.")],
    *,
    off: Annotated[bool, typer.Option("--off", help="Take the hold off.")] = False,
    data_dir: DataDir = None,
) -> None:
    """Keep the files of an inspection, or of a part and all its inspections, whatever their age."""
    from worker.command.upkeep import set_hold  # noqa: PLC0415 - see above

    set_hold(name, data_dir, hold=not off)
    raise typer.Exit(ExitCode.CONFORMS)


@upkeep_app.command()
def sweep(*, data_dir: DataDir = None) -> None:
    """Delete files at the end of their time now, as the API does every ten minutes."""
    from worker.command.upkeep import sweep_files  # noqa: PLC0415 - see above

    sweep_files(data_dir)
    raise typer.Exit(ExitCode.CONFORMS)

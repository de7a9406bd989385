"""The command ``remarks``.  As in :mod:`worker.command.main`, nothing heavy is imported before it runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Saved = Annotated[Path, typer.Argument(metavar="FILE", help="The answer of /v1/inspections/ID/remarks, saved.")]
ReportFile = Annotated[Path | None, typer.Option(help="The report.json that the remarks should be on.")]
Json = Annotated[bool, typer.Option("--json", help="The result as JSON on standard output, and nothing else there.")]


def remarks(saved: Saved, *, report: ReportFile = None, as_json: Json = False) -> None:
    """Check that saved remarks and sign-offs are whole, and name the first that was changed."""
    from worker.command.remark_checking import check_remarks_here  # noqa: PLC0415 - see above

    raise typer.Exit(check_remarks_here(saved, report=report, as_json=as_json))

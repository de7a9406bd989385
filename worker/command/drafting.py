"""``firstpour plan draft``: a starting plan from the CAD alone."""

from __future__ import annotations

from pathlib import Path

from shared.drafting import DraftChoices, draft_plan
from shared.errors import RequestInvalid
from shared.plan import PieceKind
from shared.plan_reading import parse_plan
from shared.units import LengthUnit
from worker.command import talking
from worker.command.nominal import look_at, shown_unit
from worker.exit_codes import ExitCode
from worker.job_records import InputFile


def draft_here(file: InputFile, *, general: str, kind: str, unit: LengthUnit | None, out: Path | None) -> ExitCode:
    """Write the plan to ``out``, or to standard output."""
    if out is not None and out.exists():
        raise RequestInvalid(
            f"{out} exists; a draft does not replace a plan.", advice="Choose another name with --out."
        )
    listed = look_at(file).listed
    text = draft_plan(listed, DraftChoices(general=general, kind=PieceKind(kind), unit=shown_unit(unit, listed)))
    line_count = len(parse_plan(text, "the draft").characteristics)
    if out is None:
        talking.say(text.rstrip("\n"))
    else:
        _write(out, text)
        talking.note(f"{out}: {line_count} characteristics drafted from {len(listed.features)} features.")
    return ExitCode.CONFORMS


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RequestInvalid(
            f"The plan cannot be written to {path}: {error.strerror}.", advice="Choose another place with --out."
        ) from error

"""``firstpour remarks``: whether a saved list of remarks and sign-offs is whole, without asking the server."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from shared.errors import FileRejected
from shared.remark_chain import ChainCheck, Entry, check_chain
from worker.command import talking
from worker.exit_codes import ExitCode

ENTRY = TypeAdapter(Entry)


class SavedRemarks(BaseModel):
    """The answer of /v1/inspections/{id}/remarks."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    inspection_id: str
    items: list[dict[str, Any]]


def check_remarks_here(saved: Path, *, report: Path | None, as_json: bool) -> ExitCode:
    """Name the first entry that does not fit; raises FileRejected for what is no list of remarks."""
    remarks, entries = _read(saved)
    found = check_chain(remarks.inspection_id, entries)
    sha256 = hashlib.sha256(_bytes(report)).hexdigest() if report else None
    others = [entry.number for entry, _ in entries if sha256 is not None and entry.report_sha256 != sha256]
    if as_json:
        talking.say_json({**asdict(found), "is_whole": found.is_whole, "on_another_report": others})
    else:
        talking.say("\n".join(_lines(found, others)))
    return ExitCode.CONFORMS if found.is_whole and not others else ExitCode.FINDINGS


def _read(saved: Path) -> tuple[SavedRemarks, list[tuple[Entry, str]]]:
    try:
        remarks = SavedRemarks.model_validate_json(_bytes(saved))
        return remarks, [_entry(item) for item in remarks.items]
    except (ValidationError, KeyError) as error:
        raise FileRejected(
            f"{saved} is no list of remarks.",
            file=str(saved),
            advice="Save the answer of /v1/inspections/{id}/remarks as it is.",
        ) from error


def _entry(item: dict[str, Any]) -> tuple[Entry, str]:
    fields = {name: value for name, value in item.items() if name != "sha256"}
    return ENTRY.validate_json(json.dumps(fields), strict=True), str(item["sha256"])


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise FileRejected(
            f"{path} cannot be read: {error.strerror}.", file=str(path), advice="Check the name."
        ) from error


def _lines(found: ChainCheck, others: list[int]) -> list[str]:
    lines = [f"Entry {found.broken_number} does not fit: {found.reason}."] if found.reason else []
    if found.is_whole:
        lines.append(f"{found.entry_count} entries, each as it was added. The last is {found.last_sha256}.")
    if others:
        lines.append(f"Made on another report than the one given: {', '.join(map(str, others))}.")
    return lines

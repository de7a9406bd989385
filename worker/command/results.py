"""The result of an inspection as the command shows it, and the folder its report goes to."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from shared.errors import RequestInvalid
from shared.report import Report
from worker.job_records import REPORT_HTML, REPORT_JSON, exit_code_of


def report_folder(out: Path | None, scan: Path) -> Path:
    """The folder asked for, or one named after the scan in the current folder; made if need be."""
    folder = out or Path(f"{scan.stem}-report")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RequestInvalid(
            f"The report cannot be written to {folder}: {error.strerror}.", advice="Choose another folder with --out."
        ) from error
    return folder


def result_document(folder: Path) -> dict[str, Any]:
    """What ``--json`` prints of the report in ``folder``."""
    path = folder / REPORT_JSON
    report = Report.model_validate_json(path.read_bytes())
    summary = report.summary.model_dump(mode="json")
    return {
        "title": report.title,
        **summary,
        "exit_code": int(exit_code_of(report.summary.outcome)),
        "report_json": str(path.resolve()),
        "report_html": str((folder / REPORT_HTML).resolve()),
    }

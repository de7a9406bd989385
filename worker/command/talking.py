"""What the command says: results on standard output, everything else on standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from typing import Any

from worker.exit_codes import ExitCode

MARKS = {"wrong": "✗", "doubt": "?", "note": "·"}  # a shape beside the word, for those who see no colours


def note(text: str) -> None:
    """One line for the person at the keyboard."""
    sys.stderr.write(f"{text}\n")


def complain(code: str, message: str, advice: str, data: Mapping[str, Any], *, as_json: bool) -> None:
    """What is wrong and what to do about it."""
    note(f"firstpour: {message}")
    note(f"  What to do: {advice}")
    for fault in data.get("faults", []) if isinstance(data.get("faults"), list) else []:
        note(f"  - {fault}")
    if as_json:
        say_json({"error": {"code": code, "message": message, "advice": advice, "data": dict(data)}})


def say(text: str) -> None:
    """A result on standard output."""
    sys.stdout.write(f"{text}\n")


def say_json(document: Mapping[str, Any]) -> None:
    """The one document on standard output."""
    sys.stdout.write(json.dumps(document, ensure_ascii=False, indent=2) + "\n")


def say_result(result: Mapping[str, Any], *, as_json: bool) -> None:
    """Headline, findings and where the report lies.

    result : as made by :func:`worker.command.results.result_document`
    """
    if as_json:
        say_json(result)
        return
    lines = [result["headline"]]
    lines += [f"  {MARKS[finding['severity']]} {finding['text']}" for finding in result["findings"]]
    lines.append(f"Report: {result['report_html']}")
    sys.stdout.write("\n".join(lines) + "\n")


def complain_of_row(error: Mapping[str, Any], *, as_json: bool) -> ExitCode:
    """A failure as kept in the row of an inspection."""
    complain(error["code"], error["message"], error["advice"], error.get("data", {}), as_json=as_json)
    return ExitCode.FAILED

"""The text of a starting plan."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

from shared.drafting.datums import guess_datums
from shared.drafting.lines import DraftChoices, Sheet, characteristic_lines, frame_name
from shared.drafting.words import limit_figure, printable
from shared.errors import RequestInvalid
from shared.feature_list import FeatureList
from shared.plan.lines import GENERAL_PATTERN
from shared.tolerances.iso_8062 import INDICATED_ONLY

SCANNER_MM = 0.03  # of many optical scanners on parts of this size; only shown, and only as an example
CHOICES = DraftChoices()


def draft_plan(listed: FeatureList, choices: DraftChoices = CHOICES) -> str:
    """A starting plan in YAML with comments: readable, complete, and a guess from end to end.

    Raises
    ------
    RequestInvalid
        If the general tolerance is not one of the classes a plan can name.

    """
    if re.fullmatch(GENERAL_PATTERN, choices.general) is None:
        raise RequestInvalid(
            f"'{printable(choices.general)}' is not a class of general tolerances.",
            advice="Give one of 'ISO 2768-f', -m, -c, -v; 'ISO 8062-3 DCTG 1' to 16; 'ISO 286 IT1' to IT18.",
        )
    sheet = Sheet(listed, choices, guess_datums(listed))
    return "\n".join([*_head(sheet), *_datums(sheet), *_characteristics(sheet)]) + "\n"


def _head(sheet: Sheet) -> Iterator[str]:
    choices, name = sheet.choices, printable(sheet.listed.file)[:120]
    yield f"# Starting plan for {name}: {len(sheet.listed.features)} features found."
    yield "# Everything here is a guess from the CAD alone: datums, zones and what matters are yours to decide."
    yield "# Delete what is not on your drawing, correct the rest, then run: firstpour plan check"
    yield 'firstpour_plan: "1"'
    yield f"title: {json.dumps(f'Starting plan for {name}', ensure_ascii=False)}"
    yield f"unit: {choices.unit.value}"
    yield "piece:"
    yield f"  kind: {choices.kind.value}"
    yield "  # alloy: A356"
    yield "  # shrink_allowance_percent: 1.3  # the pattern maker's, percent of the casting's length"
    yield "# What the scanner's maker or its last check states, at k = 2; without it U rests on the scan alone."
    yield "# scanner:"
    yield f"#   expanded_uncertainty: {limit_figure(SCANNER_MM, choices.unit)}"
    yield "# temperature: {celsius: 23, material: aluminium 356}"
    if choices.general.startswith("ISO 8062-3"):
        yield f"# {INDICATED_ONLY}"
    yield "# For every size and distance below that states no limits of its own:"
    yield f"general_tolerance: {choices.general}"


def _datums(sheet: Sheet) -> Iterator[str]:
    yield ""
    if not sheet.datums:
        yield "# Nothing was found that could be a datum: all is measured from the fit of the whole piece."
        return
    yield "# A guess: put the drawing's own datums here."
    yield "datums:"
    for datum in sheet.datums:
        yield f"  # {datum.why}"
        yield f"  # {sheet.words(datum.feature)}"
        yield f"  - {{letter: {datum.letter}, feature: {datum.feature.id}}}"
    letters = ", ".join(datum.letter for datum in sheet.datums)
    yield "frames:"
    yield f"  - {{name: {frame_name(sheet.datums)}, datums: [{letters}]}}"


def _characteristics(sheet: Sheet) -> Iterator[str]:
    yield ""
    yield "characteristics:"
    yield from characteristic_lines(sheet)

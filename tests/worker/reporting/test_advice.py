"""What to move, and what a wall owes to a core, stands beside the figure that fails."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.support.report_example import example
from worker.exhibits import Column, Exhibits, Table
from worker.judging.core_exhibits import DUE, WALL
from worker.records import Characteristic, Limits, Verdict
from worker.reporting.document import build_report

CORE, PLAIN_WALL = example(4).characteristics[:2]
THIN = replace(
    PLAIN_WALL,
    id="web",
    kind="wall_between",
    measured=4.2,
    verdict=Verdict.DOES_NOT_CONFORM,
    details={"change_mm": -0.8},
)
OWED = Exhibits(
    tables=(
        Table(
            "Walls beside bore_2", (Column(WALL), Column(DUE, "mm")), (("web", -0.7), ("other", -0.6), ("rim", None))
        ),
    )
)


def texts(*lines: Characteristic) -> dict[str | None, str]:
    report = build_report(replace(example(4), characteristics=lines))
    return {found.characteristic: found.text for found in report.summary.findings}


def test_thin_wall_says_what_it_lost_and_what_the_core_took() -> None:
    text = texts(replace(CORE, exhibits=OWED), THIN)["web"]
    assert text.endswith(
        "It has 0.800 mm (31.5 thou) less there than the CAD; the shift of core bore_2 takes 0.700 mm (27.6 thou)."
    )


@pytest.mark.parametrize("verdict", [Verdict.CONFORMS, Verdict.NOT_PROVEN])
def test_core_not_shown_to_be_displaced_is_not_blamed(verdict: Verdict) -> None:
    text = texts(replace(CORE, exhibits=OWED, verdict=verdict), THIN)["web"]
    assert text.endswith("less there than the CAD.")


def test_wall_too_thin_by_design_is_told_no_loss() -> None:
    assert texts(replace(THIN, details={"change_mm": 0.02}))["web"].endswith(
        "does not conform to at least 4.500 mm (0.1772 in)."
    )


def rod(shift: tuple[float, float, float] | None) -> Characteristic:
    return replace(
        THIN,
        id="rod",
        kind="rod_passage",
        title="Rod",
        nominal=0.1,
        measured=-0.1,
        limits=Limits(0.4, None),
        details={} if shift is None else {"least_shift_mm": shift},
    )


def test_rod_that_does_not_pass_says_how_its_axis_would_have_to_move() -> None:
    text = texts(rod((0.0, -0.508, 0.0)))["rod"]
    assert text.endswith("once its axis is moved by x 0.000, y -0.508, z 0.000 mm (x 0.0, y -20.0, z 0.0 thou).")


def test_rod_that_no_move_lets_pass_promises_none() -> None:
    assert "moved" not in texts(rod(None))["rod"]

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from tests.support.guide_corner import (
    BALL_DEPTH_MM,
    BALL_RADIUS_MM,
    BOTTOM,
    NOISY,
    SOUND,
    TOP,
    WRONG,
    Faults,
    judged,
    measured,
)
from worker.records import Verdict

CHAMBER: dict[str, Any] = {
    "kind": "cavity_volume",
    "region": "chamber",
    "plane": BOTTOM,
    "lower_cc": 4.2,
    "upper_cc": 4.4,
}
FACET_SHARE = 5e-5  # of the volume: what the part's 0.05 mm facets leave after mending, and moves squared


def _cap_cc(grown_mm: float, bottom_mm: float) -> float:
    """Cap of a ball below a plane that has moved up by ``bottom_mm``: pi h^2 (3 R - h) / 3."""
    radius, depth = BALL_RADIUS_MM + grown_mm, BALL_DEPTH_MM + grown_mm - bottom_mm
    return float(np.pi * depth**2 * (3 * radius - depth) / 3000)


@pytest.mark.parametrize(
    ("faults", "verdict"), [(SOUND, Verdict.CONFORMS), (WRONG, Verdict.DOES_NOT_CONFORM)], ids=["sound", "wrong"]
)
def test_a_chamber_holds_what_a_burette_reads(faults: Faults, verdict: Verdict) -> None:
    found = judged(measured(faults), CHAMBER)
    assert found.unit == "cc"
    assert found.nominal == pytest.approx(_cap_cc(0.0, 0.0), rel=1e-5)
    assert found.measured == pytest.approx(_cap_cc(faults.grown_mm, faults.bottom_mm), rel=2 * FACET_SHARE)
    assert found.verdict is verdict


def test_a_plane_by_figures_stays_where_the_deck_is_drawn() -> None:
    plane = {"plane": None, "point": [0, 0, 0], "normal": [0, 0, -3]}
    found = judged(measured(WRONG), {**CHAMBER, **plane})
    assert found.measured == pytest.approx(_cap_cc(0.2, 0.0), rel=1e-3)  # the brim was never scanned there: extended


@pytest.mark.parametrize(("faults", "seed"), NOISY)
def test_noise_stays_within_U(faults: Faults, seed: int) -> None:
    found = judged(measured(faults, seed, 0.02), CHAMBER)
    assert found.U is not None
    gap = abs(float(found.measured or 0.0) - _cap_cc(faults.grown_mm, faults.bottom_mm))
    assert gap < 1.5 * found.U + FACET_SHARE * 4.4  # k = 3 instead of 2


def test_an_error_of_the_scanner_counts_over_walls_and_opening() -> None:
    found = judged(measured(), CHAMBER, scanner={"expanded_uncertainty": 0.02})
    walls, opening = found.details["wall_area_mm2"], found.details["opening_area_mm2"]
    assert isinstance(walls, float)
    assert isinstance(opening, float)
    assert found.budget["scanner"] == pytest.approx((walls + opening) * 0.01 / 1000)


def test_walls_seen_too_little_of_are_not_measured_and_a_corner_unseen_cannot_pass() -> None:
    half, corner = (judged(measured(unseen=f"{part} of the chamber"), CHAMBER) for part in ("half", "a corner"))
    assert half.verdict is Verdict.NOT_MEASURED
    assert "of the walls were scanned, 75% are needed" in str(half.reason)
    assert corner.verdict is Verdict.NOT_PROVEN
    assert corner.measured == pytest.approx(_cap_cc(0.0, 0.0), rel=1e-3)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"region": "pocket", "plane": TOP}, "does not close at the plane: it is open round"),
        ({"plane": TOP}, "does not close"),
        ({"plane": {"face_name": "chamber"}}, "is a sphere and no plane"),
        ({"plane": None, "point": [0, 0, 0], "normal": [0, 0, 1]}, "does not close|holds nothing"),
    ],
)
def test_a_cavity_that_does_not_close_is_refused_and_says_where(change: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanInvalid, match=words):
        judged(measured(), {**CHAMBER, **change})


def test_openings_are_closed_flat_where_the_plan_says_so() -> None:
    """The pocket with the guide's hole in its floor plugged flush: a cylinder cut by the level top."""
    line = {**CHAMBER, "region": "pocket", "plane": TOP, "openings": "flat", "upper_cc": None, "lower_cc": 1.0}
    found = judged(measured(), line)
    axial_mm = (50.0 - 20.0 - 18.0 * np.cos(np.radians(14))) / np.cos(np.radians(14))  # at the axis, of a cut cylinder
    assert found.nominal == pytest.approx(np.pi * 9.0**2 * axial_mm / 1000, rel=1e-3)
    assert found.details["openings_closed_flat"] == 1.0
    assert [mark.label for mark in found.exhibits.marks] == ["opening closed flat"]

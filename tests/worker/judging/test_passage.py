from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from tests.support.formed import formed_scan, measured_piece, plan_of
from tests.support.shapes import bored_block, perfect_alignment
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.records import Characteristic, Floats, Ints, Verdict

RADIUS_MM, DEPTH_MM, SHIFT_MM, NOISE_MM = 8.0, 20.0, 0.3, 0.02
PART = bored_block((60.0, 50.0, DEPTH_MM), RADIUS_MM)
REGIONS = {"regions": [{"name": "passage", "faces": [6]}, {"name": "outside", "faces": [0]}]}
STRAIGHT = {"kind": "rod_passage", "start": [0, 0, -10], "end": [0, 0, 40], "preset": "1/2 in", "least": 0.5}
EXACT_MM = 1e-6


def _aside(points: Floats, _normals: Floats, face: Ints) -> Floats:
    """The bore lies aside, as a displaced core leaves it."""
    shift = np.zeros_like(points)
    shift[face == 6, 0] = SHIFT_MM
    return shift


@lru_cache(maxsize=8)
def _piece(noise_mm: float = NOISE_MM, *, seed: int = 1, seen_below_mm: float = np.inf) -> Measured:
    scan = formed_scan(PART, _aside, noise_mm=noise_mm, count=25_000, seed=seed)

    def keep(points: Floats) -> Any:
        return points[:, 2] < seen_below_mm

    return measured_piece(PART, scan, plan_of(**REGIONS), keep=keep)


def _line(measured: Measured, *, line: dict[str, Any] | None = None, **changes: Any) -> Characteristic:
    own = {key: value for key, value in {**(line or STRAIGHT), **changes}.items() if value is not None}
    return judge_plan(plan_of(own, **REGIONS), measured)[0]


@lru_cache(maxsize=2)
def _straight() -> Characteristic:
    return _line(_piece())


def test_the_nominal_gap_is_that_of_the_exact_bore() -> None:
    assert _straight().nominal == pytest.approx(RADIUS_MM - 12.7 / 2, abs=EXACT_MM)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_noisy_scan_gives_the_gap_of_the_piece_within_its_uncertainty(seed: int) -> None:
    found = _straight() if seed == 1 else _line(_piece(seed=seed))
    assert found.measured is not None
    assert found.U is not None
    assert abs(found.measured - (RADIUS_MM - SHIFT_MM - 12.7 / 2)) <= found.U
    assert found.U < 0.05
    assert found.verdict is Verdict.CONFORMS


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({"preset": "5/8 in", "least": 0.0}, Verdict.DOES_NOT_CONFORM),
        ({"preset": None, "diameter": 12.0, "least": 1.0}, Verdict.CONFORMS),
        ({"least": 1.35}, Verdict.NOT_PROVEN),
    ],
)
def test_the_gap_required_decides(changes: dict[str, Any], verdict: Verdict) -> None:
    assert _line(_piece(), **changes).verdict is verdict


def test_the_move_to_where_the_bore_went_lets_a_thicker_rod_pass() -> None:
    found = _line(_piece(), preset="5/8 in", least=0.0).details
    shift, least = (np.array(found[name]) for name in ("best_shift_mm", "least_shift_mm"))
    np.testing.assert_allclose(shift, [SHIFT_MM, 0.0, 0.0], atol=2 * NOISE_MM)
    assert least[0] == pytest.approx(15.875 / 2 - (RADIUS_MM - SHIFT_MM), abs=2 * NOISE_MM)
    assert "it passes with its gap after moving the whole axis by" in str(found["move"])


def test_a_rod_thicker_than_the_bore_is_told_that_no_move_helps() -> None:
    found = _line(_piece(), preset=None, diameter=17.0)
    assert found.details["move"] == "no move within 5 mm lets it pass with its gap"
    assert found.verdict is Verdict.DOES_NOT_CONFORM


def test_an_axis_in_material_is_told_with_its_place() -> None:
    found = _line(_piece(), start=[12, 0, -10], end=[12, 0, 40])
    assert found.measured == pytest.approx(-12.7 / 2)
    assert found.details["largest_diameter_mm"] == 0.0
    assert str(found.details["touch"]).startswith("the axis goes through material at")
    assert found.verdict is Verdict.DOES_NOT_CONFORM


def test_what_was_not_scanned_never_passes() -> None:
    found = _line(_piece(seen_below_mm=14.0))
    assert found.verdict is Verdict.NOT_PROVEN
    assert "of it was seen" in str(found.reason)


@pytest.mark.parametrize(("least_mm", "verdict"), [(0.6, Verdict.NOT_PROVEN), (0.2, Verdict.CONFORMS)])
def test_little_that_was_not_scanned_stops_a_rod_that_it_may_touch(least_mm: float, verdict: Verdict) -> None:
    """A twentieth of the bore is unseen, where the CAD leaves a tilted rod 0.57 mm, less what lies inside elsewhere."""
    found = _line(_piece(seen_below_mm=19.0), end=[1.8, 0, 40], regions=["passage"], least=least_mm)
    assert found.details["seen_share"] == pytest.approx(0.95, abs=0.04)
    assert found.measured is not None
    assert found.measured > 0.8
    assert found.verdict is verdict
    assert verdict is Verdict.CONFORMS or "not scanned" in str(found.reason)


def test_nothing_scanned_is_not_measured() -> None:
    found = _line(_piece(seen_below_mm=4.0), line={**STRAIGHT, "start": [0, 0, 14], "end": [0, 0, 17]})
    assert found.verdict is Verdict.NOT_MEASURED
    assert found.measured is None
    assert "shows nothing" in str(found.reason)


def test_only_the_regions_named_count() -> None:
    """Beyond the wall lies an outside face, 25 mm from the axis; the axis is behind it, but in no material."""
    found = _line(_piece(), regions=["outside"])
    assert found.measured == pytest.approx(25.0 - 12.7 / 2, abs=0.05)


def test_where_the_frame_lies_counts_in_every_direction_a_coaxial_rod_may_touch() -> None:
    sure = _straight()
    unsure = _line(replace(_piece(), alignment=perfect_alignment(sigma_mm=0.05)))
    assert sure.U is not None
    assert unsure.budget["alignment"] >= 0.05 * 0.99
    assert unsure.U is not None
    assert unsure.U > sure.U


def test_exhibits_tell_common_sizes_places_moves_and_the_gap_along_the_rod() -> None:
    shown = _straight().exhibits
    sizes, places, moves = shown.tables
    assert [row[0] for row in sizes.rows] == ["1/2 in", "9/16 in", "5/8 in", "wanted"]
    assert [row[-1] for row in sizes.rows] == ["passes", "passes", "does not pass", "passes"]
    assert all("passage" in str(row[0]) or "face" in str(row[0]) for row in places.rows)
    assert len(moves.rows) == 4
    assert [curve.name for curve in shown.plots[0].curves] == ["CAD", "piece"]
    assert shown.plots[0].curves[1].y.min() == pytest.approx(_straight().measured, abs=NOISE_MM)
    assert {"axis of the rod", "touches first"} <= {mark.label for mark in shown.marks}


def test_a_rod_placed_from_the_bore_goes_where_the_bore_went() -> None:
    datums = [{"letter": "A", "feature": {"face": 5}}, {"letter": "B", "feature": {"face": 6}}]
    frames = [{"name": "bore", "datums": ["A", "B"]}]
    plan = plan_of({**STRAIGHT, "frame": "bore"}, **REGIONS, datums=datums, frames=frames)
    found = judge_plan(plan, _piece())[0]
    assert found.frame == "bore"
    assert found.measured == pytest.approx(RADIUS_MM - 12.7 / 2, abs=3 * NOISE_MM)
    assert found.measured is not None
    assert found.U is not None
    assert abs(found.measured - (RADIUS_MM - 12.7 / 2)) <= found.U


def test_the_report_warns_that_rods_bend() -> None:
    assert "leave running clearance" in str(_straight().details["caution"])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"diameter": 12.0}, "exactly one of diameter and preset"),
        ({"preset": None}, "exactly one of diameter and preset"),
        ({"end": [0, 0, -10]}, "the same point"),
        ({"end_travel": [0, 0, -10]}, "at full lift"),
        ({"regions": ["nowhere"]}, "region 'nowhere' is not among the plan's regions"),
    ],
)
def test_a_line_that_cannot_be_judged_is_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        _line(_piece(), **changes)

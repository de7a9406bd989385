"""A hole and a core that each moved by five thousandths of an inch, found in a noisy scan in a random pose."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
import pytest

from shared.plan import Plan
from tests.benchmarks.coverage_piece import Fault, Piece, scan_of
from tests.benchmarks.coverage_run import Bench, bench, measured_piece
from worker.judging.characteristics import judge_plan
from worker.records import Characteristic

INCH_MM = 25.4
MOVED_MM = 0.005 * INCH_MM
WITHIN_MM = 0.0005 * INCH_MM
NOISE_MM = 0.03
POINT_COUNT = 60_000  # 1.5 a square millimetre
HOLE_MM = MOVED_MM * np.array([0.6, -0.8, 0.0])  # along x and y of the part: the hole's own axis is along z
CORE_MM = MOVED_MM * np.array([0.48, 0.6, -0.64])


def plan_of(shared: Bench) -> Plan:
    position = {"kind": "position", "feature": shared.part.features["hole 2"].id, "zone_diameter": 0.2}
    datums = [
        {"letter": letter, "feature": shared.part.features[name].id, "reference": "least_squares"}
        for letter, name in (("A", "bottom"), ("B", "front"), ("C", "left"))
    ]
    lines = [
        {"id": "in-fit", **position},
        {"id": "in-datums", **position, "frame": "ABC"},
        {"id": "core", "kind": "core_displacement", "region": "core", "most": 0.2},
        {"id": "still", "kind": "position", "feature": shared.part.features["hole 1"].id, "zone_diameter": 0.2},
    ]
    return Plan.model_validate(
        {
            "firstpour_plan": "1",
            "datums": datums,
            "frames": [{"name": "ABC", "datums": ["A", "B", "C"]}],
            "regions": [{"name": "core", "core": "core"}],
            "characteristics": lines,
        }
    ).to_mm()


@lru_cache(maxsize=1)
def judged() -> Mapping[str, Characteristic]:
    """The scan's pose is searched from nothing."""
    shared = bench()
    moved = {"hole 2": HOLE_MM, "core": CORE_MM}
    faults = {name: Fault(shift_mm=(float(x), float(y), float(z))) for name, (x, y, z) in moved.items()}
    piece = Piece(faults=faults, scale=1.0, noise_mm=NOISE_MM, missing=None, is_missing_ball=False)
    scan, _ = scan_of(shared.part, piece, np.random.default_rng(5), POINT_COUNT)
    measured = measured_piece(shared, scan, None, 0)
    return {line.id: line for line in judge_plan(plan_of(shared), measured)}


def vector(line: Characteristic, key: str) -> np.ndarray:
    found = line.details[key]
    assert isinstance(found, tuple)
    return np.array(found)


@pytest.mark.parametrize("line", ["in-fit", "in-datums"])
@pytest.mark.parametrize("end", ["offset_at_start_mm", "offset_at_end_mm"])
def test_a_hole_moved_by_five_thousandths_is_found_within_half_a_thousandth(line: str, end: str) -> None:
    assert np.linalg.norm(vector(judged()[line], end) - HOLE_MM) < WITHIN_MM


def test_the_position_of_a_moved_hole_is_twice_its_move() -> None:
    measured = judged()["in-fit"].measured
    assert measured is not None
    assert measured / 2 == pytest.approx(MOVED_MM, abs=WITHIN_MM)


def test_a_core_moved_by_five_thousandths_is_found_within_half_a_thousandth() -> None:
    core = judged()["core"]
    assert core.measured == pytest.approx(MOVED_MM, abs=WITHIN_MM)
    assert np.linalg.norm(vector(core, "displacement_mm") - CORE_MM) < WITHIN_MM


def test_a_hole_that_did_not_move_stays() -> None:
    measured = judged()["still"].measured
    assert measured is not None
    assert measured / 2 < WITHIN_MM


@pytest.mark.parametrize("line", ["in-fit", "core"])
def test_the_stated_uncertainty_would_notice_such_a_move(line: str) -> None:
    """A figure within half a thousandth is worth nothing if its U is wider than the move."""
    found = judged()[line]
    assert found.U is not None
    assert found.U < MOVED_MM / 2

"""Moves and every kind of line that looks at more than one surface, against closed forms, on CAD and on a noisy piece.

The plate's bores, 12 mm across and 24 mm apart, stand 18 mm from its left end; the first of the piece is off by
(0.1, 0.05) mm.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from shared.plan import Plan
from tests.support.mock_ups import box
from tests.support.whatif_plate import BORE_1, BORE_2, OFF_MM, measured_plate, whatif_plan
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.records import Body
from worker.whatif.records import Row
from worker.whatif.run import run_what_if

FIVE_THOU_MM = 0.127
EXACT_MM = 1e-6
CHORD_MM = 0.02  # of the plate's facets: bodies are cleared from facets
PIN_HALF_MM = 4.0  # of a square pin that stands in the first bore

STAND = {"name": "stand", "body": "rocker", "place": {"transform": {"translation": [0, 0, -7.5]}}}
PIN = {"name": "pin", "body": "pin", "place": {"transform": {"translation": [18, 20, 0]}}}
ROD = {"kind": "rod_passage", "start": [18, 20, -10], "end": [18, 20, 30], "diameter": 11.0, "least": 0.1}
STUD = {"kind": "fastener", "feature": BORE_1, "thread": "M10", "joint": "through", "least": 3.0}
PORT = {"kind": "port_area", "region": "bore", "least_mm2": 100.0}
TO_PORT = {
    "kind": "section_offset", "feature": BORE_2, "region": "bore", "point": [18, 20, 6], "normal": [0, 0, 1],
    "lower_deviation": -0.5, "upper_deviation": 0.5,
}  # fmt: skip
STAND_CLEAR = {"kind": "clearance", "body": "stand", "against": "piece", "least": 0.2}
PIN_CLEAR = {"kind": "clearance", "body": "pin", "against": "bore", "least": 0.1}
WALL = {"kind": "wall_thickness", "region": "pocket end", "toward": "far end", "least": 3.0}

OUT = {"feature": BORE_1, "translation": [FIVE_THOU_MM, 0, 0]}
WIDER = {"feature": BORE_1, "diameter_change": 0.2}
CORE = {"region": "bore", "translation": [FIVE_THOU_MM, 0, 0]}


def pin_clear_mm(off_mm: tuple[float, float] | np.ndarray) -> float:
    """From the corner of the square pin nearest the bore of 6 mm radius, its axis off by so much."""
    x, y = (PIN_HALF_MM / np.sqrt(2) + abs(float(part)) for part in off_mm)
    return 6.0 - float(np.hypot(x, y))


# what, line, move, CAD before and after, piece before and after, how exactly the CAD is known
CASES: list[tuple[str, dict[str, Any], dict[str, Any], tuple[float, float], tuple[float, float], float]] = [
    (
        "a stand lifted by five thousandths", STAND_CLEAR,
        {"body": "stand", "translation": [0, 0, FIVE_THOU_MM]}, (0.5, 0.627), (0.5, 0.627), EXACT_MM,
    ),
    (
        "a pin in a bore that moves", PIN_CLEAR, OUT, (pin_clear_mm((0, 0)), pin_clear_mm((FIVE_THOU_MM, 0))),
        (pin_clear_mm(OFF_MM[:2]), pin_clear_mm(OFF_MM[:2] + np.array([FIVE_THOU_MM, 0.0]))), CHORD_MM,
    ),
    (
        "a rod through a bore that moves", ROD, OUT, (0.5, 0.5 - FIVE_THOU_MM),
        (0.5 - np.hypot(0.1, 0.05), 0.5 - np.hypot(0.1 + FIVE_THOU_MM, 0.05)), EXACT_MM,
    ),
    (
        "a rod through a bore that grows", ROD, WIDER, (0.5, 0.6),
        (0.5 - np.hypot(0.1, 0.05), 0.6 - np.hypot(0.1, 0.05)), EXACT_MM,
    ),
    (
        "metal between two bores, one of which moves toward the other", STUD, OUT, (12.0, 12.0 - FIVE_THOU_MM),
        (11.9, 11.9 - FIVE_THOU_MM), EXACT_MM,
    ),
    ("metal round a bore that grows", STUD, WIDER, (12.0, 11.9), (11.9, 11.8), EXACT_MM),
    ("the area of a core that moves", PORT, CORE, (36 * np.pi, 36 * np.pi), (36 * np.pi, 36 * np.pi), 0.02),
    ("the area of a core that grows", PORT, WIDER, (36 * np.pi, 6.1**2 * np.pi), (36 * np.pi, 6.1**2 * np.pi), 0.02),
    ("the offset of a core that moves", TO_PORT, CORE, (24.0, 24.0 - FIVE_THOU_MM), (23.9, 23.9 - FIVE_THOU_MM), 1e-4),
    ("a wall made thicker", WALL, {"region": "pocket end", "offset": 0.2}, (4.0, 4.2), (4.0, 4.2), EXACT_MM),
]  # fmt: skip
NAMES = [case[0] for case in CASES]


@lru_cache(maxsize=1)
def piece() -> Measured:
    """The plate, with the pin among its bodies."""
    half = PIN_HALF_MM / np.sqrt(2)
    pin = box((2 * half, 2 * half, 30.0), (-half, -half, -9.0))
    base = measured_plate()
    return replace(base, bodies=(*base.bodies, Body("pin", "part", pin.vertices_mm, pin.triangles)))


def tried(line: dict[str, Any], move: dict[str, Any]) -> Row:
    scenario = {"name": "it", "moves": [move], "lines": ["it"]}
    plan: Plan = whatif_plan({"id": "it", **line}, mock_up=[STAND, PIN], what_if=[scenario])
    return run_what_if(plan, piece(), judge_plan(plan, piece()), 0, thread_count=1).tried[0].rows[0]


@lru_cache(maxsize=len(CASES))
def row_of(name: str) -> Row:
    line, move = next((line, move) for own, line, move, *_ in CASES if own == name)
    return tried(line, move)


@pytest.mark.parametrize("case", CASES, ids=NAMES)
def test_the_cad_before_and_after_is_that_of_geometry(case: Any) -> None:
    name, _, _, nominal, _, exact = case
    row = row_of(name)
    assert (row.nominal_before, row.nominal_after) == pytest.approx(nominal, abs=exact)


@pytest.mark.parametrize("case", CASES, ids=NAMES)
def test_the_piece_before_and_after_lies_within_its_uncertainty(case: Any) -> None:
    name, _, _, _, actual, _ = case
    row = row_of(name)
    assert row.before.U is not None
    assert row.after.U is not None
    assert row.before.measured == pytest.approx(actual[0], abs=row.before.U)
    assert row.after.measured == pytest.approx(actual[1], abs=row.after.U)
    assert row.change == pytest.approx(actual[1] - actual[0], abs=row.after.U)

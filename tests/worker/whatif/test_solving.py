"""Closed forms of least-norm moves between straight walls."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from tests.support.whatif_plate import BORE_1, BORE_2, FRONT, LEFT, measured_plate, whatif_plan
from worker.judging.characteristics import judge_plan
from worker.records import Limits, Verdict
from worker.whatif.records import Outcome, Solved
from worker.whatif.scenarios import Stand
from worker.whatif.solving import AIM, solve_plan, why_not
from worker.whatif.tangents import straight_best, straight_least

LEFT_WALL: dict[str, Any] = {"kind": "distance", "first": LEFT, "second": BORE_1, "nominal": 18.0}
BRIDGE: dict[str, Any] = {"kind": "distance", "first": BORE_1, "second": BORE_2, "nominal": 24.0}
FRONT_WALL: dict[str, Any] = {"kind": "distance", "first": FRONT, "second": BORE_1, "nominal": 20.0}
MOVE: dict[str, Any] = {"feature": BORE_1, "freedoms": ["x", "y"], "most": 0.5}


def solved(*lines: dict[str, Any], **solve: Any) -> tuple[Solved, Stand]:
    """The solve of all lines, named A, B..."""
    named = [{"id": name, **line} for name, line in zip("ABCD", lines, strict=False)]
    names = [line["id"] for line in named]
    plan = whatif_plan(*named, solve=[{"name": "it", "moves": [MOVE], "lines": names, **solve}])
    stand = Stand.of(plan, measured_plate(), judge_plan(plan, measured_plate()))
    return solve_plan(plan.solve[0], stand), stand


@lru_cache(maxsize=1)
def centred() -> tuple[Solved, Stand]:
    """Least walls left and right of a bore that lies 0.1 mm too far right."""
    x_only = MOVE | {"freedoms": ["x"]}
    return solved(LEFT_WALL | {"lower_deviation": -0.02}, BRIDGE | {"lower_deviation": -0.02}, moves=[x_only])


def test_the_bore_is_moved_until_the_failing_wall_has_its_least_and_U() -> None:
    found, stand = centred()
    bridge = stand.before["B"]
    assert bridge.measured is not None
    assert bridge.U is not None
    assert bridge.verdict is Verdict.DOES_NOT_CONFORM
    assert found.outcome is Outcome.FOUND
    assert found.move_mm == pytest.approx([-(23.98 + bridge.U + AIM - bridge.measured)], abs=5e-5)


def test_what_was_found_is_judged_to_conform() -> None:
    found, _ = centred()
    assert {row.id: row.after.verdict for row in found.rows} == {"A": Verdict.CONFORMS, "B": Verdict.CONFORMS}
    assert found.least_margin == pytest.approx(AIM, abs=5e-5)
    assert found.margins_before["B"] < 0


def test_a_line_that_the_move_takes_out_of_its_limits_is_named() -> None:
    others = {"left": LEFT_WALL | {"lower_deviation": 0.05}, "bridge": BRIDGE | {"lower_deviation": 0.0}}
    plan = whatif_plan(
        *({"id": name, **line} for name, line in others.items()),
        solve=[{"name": "it", "moves": [MOVE], "lines": ["bridge"]}],
    )
    found = solve_plan(plan.solve[0], Stand.of(plan, measured_plate(), judge_plan(plan, measured_plate())))
    assert found.outcome is Outcome.FOUND
    assert "After it, left no longer conforms" in found.words


def test_conditions_in_x_and_y_are_met_together_by_the_shortest_move() -> None:
    band = {"lower_deviation": -0.01, "upper_deviation": 0.01}
    found, stand = solved(LEFT_WALL | band, FRONT_WALL | band)
    lines = [stand.before[name] for name in "AB"]
    off = [(line.measured or 0) - nominal - 0.01 + (line.U or 0) for line, nominal in zip(lines, (18, 20), strict=True)]
    assert found.outcome is Outcome.FOUND
    assert found.move_mm == pytest.approx([-part - AIM for part in off], abs=5e-5)


def test_a_fault_of_the_piece_is_taken_back_to_the_edge_of_its_zone_straight() -> None:
    """The zone is round, so the shortest move runs along the offset: |off| - (zone - U) / 2."""
    place = {"kind": "position", "feature": BORE_1, "zone_diameter": 0.1}
    found, stand = solved(place, of="piece")
    before = stand.before["A"]
    offset = np.array(before.details["offset_at_start_mm"])[:2]
    assert found.outcome is Outcome.FOUND
    assert found.move_mm is not None
    cosine = -found.move_mm @ offset / np.linalg.norm(found.move_mm) / np.linalg.norm(offset)
    assert cosine == pytest.approx(1.0, abs=2e-3)
    assert found.length_mm == pytest.approx(((before.measured or 0) - 0.1 + (before.U or 0)) / 2, abs=1e-3)


def test_two_walls_that_have_no_room_between_them_are_said_to_fight() -> None:
    """Both sides straight: half of what is left of the span, U taken off, is the best there is."""
    x_only = MOVE | {"freedoms": ["x"]}
    walls = (LEFT_WALL | {"lower_deviation": 0.0}, BRIDGE | {"lower_deviation": 0.05})
    found, stand = solved(*walls, moves=[x_only])
    first, second = stand.before["A"], stand.before["B"]
    room = (first.measured or 0) + (second.measured or 0) - 18.0 - 24.05 - (first.U or 0) - (second.U or 0)
    assert found.outcome is Outcome.NONE_WITHIN_LIMITS
    assert found.fighting == ("A", "B")
    assert found.bound == pytest.approx(room / 2, abs=2e-4)
    assert found.least_margin == pytest.approx(room / 2, abs=3e-4)
    assert "A against B short by" in found.words


def test_a_move_that_reaches_too_little_is_shown_to_be_too_little() -> None:
    found, stand = solved(BRIDGE | {"lower_deviation": -0.02}, moves=[MOVE | {"freedoms": ["x"], "most": 0.05}])
    bridge = stand.before["A"]
    short = 23.98 + (bridge.U or 0) - (bridge.measured or 0) - 0.05
    assert found.outcome is Outcome.NONE_WITHIN_LIMITS
    assert found.least_margin == pytest.approx(-short, abs=2e-4)


@pytest.mark.parametrize(
    ("line", "freedoms"),
    [
        ({"kind": "wall_thickness", "region": "pocket end", "toward": "far end", "least": 4.05}, "offset"),
        ({"kind": "size", "feature": BORE_1, "nominal": 12.05, "lower_deviation": -0.02}, "diameter"),
    ],
)
def test_an_offset_and_a_diameter_are_freedoms_too(line: dict[str, Any], freedoms: str) -> None:
    part = {"region": "pocket end"} if freedoms == "offset" else {"feature": BORE_1}
    found, stand = solved(line, moves=[{**part, "freedoms": [freedoms], "most": 0.2}])
    before = stand.before["A"]
    wanted = (before.limits.lower or 0) + (before.U or 0) - (before.measured or 0)
    assert found.outcome is Outcome.FOUND
    assert found.move_mm == pytest.approx([wanted + AIM], abs=2e-4)


def test_what_conforms_already_is_left_alone() -> None:
    found, _ = solved(LEFT_WALL | {"lower_deviation": -0.5})
    assert (found.outcome, found.length_mm) == (Outcome.ALREADY, 0.0)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"limits": Limits(None, None)}, "B states no limit"),
        ({"measured": None, "reason": "nobody scanned it"}, "B is not measured, for nobody scanned it"),
        ({}, None),
    ],
)
def test_only_measured_lines_with_limits_are_solved_for(changes: dict[str, Any], words: str | None) -> None:
    assert why_not(replace(centred()[1].before["B"], **changes)) == words


def test_straight_conditions_have_the_answers_of_geometry() -> None:
    """x + y >= 1 is nearest nothing at (1/2, 1/2); x and -x under 1 apart by 1 are best midway."""
    nearest = straight_least(np.array([-1.0]), np.array([[1.0, 1.0]]), np.array([2.0, 2.0]))
    assert nearest == pytest.approx([0.5, 0.5], abs=1e-6)
    assert straight_least(np.array([-1.0]), np.array([[1.0, 1.0]]), np.array([0.2, 0.2])) is None
    move, level = straight_best(np.array([-1.0, 0.0]), np.array([[1.0], [-1.0]]), np.array([2.0]))
    assert (move[0], level) == pytest.approx((0.5, -0.5), abs=1e-6)

"""Least moves between curved walls, against closed forms: eccentric bores R_o - R_i - e, a bore between two plates."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from shared.plan import Plan
from tests.support.walls import Fault, drilled, inspected, shifted
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.rigid import RigidTransform
from worker.whatif.records import Outcome, Solved
from worker.whatif.scenarios import Stand
from worker.whatif.solving import solve_plan

QUICK = 30_000  # points
CLOSE_MM = 0.012  # the calmed surface's own noise at the least place, beside what the line's U counts
LEAN_DEG = 0.5  # of the bore between two plates, in the turned piece
HALF_LENGTH_MM, BORE_WALL_MM = 20.0, 14.0  # of that bore, straight, and its wall to either plate


@lru_cache(maxsize=3)
def piece(kind: str) -> Measured:
    """An eccentric bore 0.4 mm farther out; a bore midway between two plates, straight or leaning."""
    if kind == "tube":
        return inspected(drilled("tube"), Fault(motions={"one": shifted(x=0.4)}, count=QUICK), "one", "outside")
    lean = np.array([np.radians(LEAN_DEG if kind == "leaning" else 0.0), 0.0, 0.0])
    motion = RigidTransform.about(lean, np.zeros(3), np.array([-7.0, 0.0, 0.0]))
    return inspected(drilled("parallel"), Fault(motions={"one": motion}, count=QUICK), "one", "front", "back")


def solved(kind: str, least: dict[str, float], **move: Any) -> tuple[Solved, Stand]:
    """A move of the bore that keeps a least wall to each face named."""
    names = ["one", *least]
    lines = [
        {"id": toward, "kind": "wall_between", "region": "one", "toward": toward, "least": wall}
        for toward, wall in least.items()
    ]
    solve = {"name": "it", "of": "piece", "moves": [{"region": "one", **move}], "lines": list(least)}
    regions = [{"name": name, "faces": [0]} for name in names]
    given = {"firstpour_plan": "1", "regions": regions, "characteristics": lines, "solve": [solve]}
    plan = Plan.model_validate(given)
    stand = Stand.of(plan, piece(kind), judge_plan(plan, piece(kind)))
    return solve_plan(plan.solve[0], stand), stand


@lru_cache(maxsize=1)
def tube_solved() -> tuple[Solved, Stand]:
    return solved("tube", {"outside": 2.9}, freedoms=["x", "y"], most=0.8)


def test_an_eccentric_bore_is_moved_straight_back_by_what_its_wall_lacks() -> None:
    """The bore is 2.4 mm off, its wall 5 - 2.4; a wall of 2.9 + U needs 2.4 - (5 - 2.9 - U), along the offset."""
    found, stand = tube_solved()
    assert found.outcome is Outcome.FOUND
    assert found.move_mm is not None
    assert found.length_mm == pytest.approx(2.4 - (5.0 - 2.9 - (stand.before["outside"].U or 0.0)), abs=CLOSE_MM)
    assert found.move_mm[0] / found.length_mm == pytest.approx(-1.0, abs=0.02)
    assert found.rows[0].after.verdict.value == "conforms"


def test_that_no_shorter_move_does_is_shown_to_some_hundredths() -> None:
    found, _ = tube_solved()
    assert found.floor_mm is not None
    assert found.length_mm is not None
    assert 0.0 <= found.length_mm - found.floor_mm < 0.03
    assert f"No move shorter than {found.floor_mm:.3f} mm does" in found.shown
    assert "apart at most" in found.shown


def test_a_bore_that_cannot_go_far_enough_is_shown_not_to() -> None:
    found, stand = solved("tube", {"outside": 2.9}, freedoms=["x", "y"], most=0.1)
    reached = 5.0 - (2.4 - np.hypot(0.1, 0.0)) - 2.9 - (stand.before["outside"].U or 0.0)
    assert found.outcome is Outcome.NONE_WITHIN_LIMITS
    assert found.least_margin == pytest.approx(reached, abs=CLOSE_MM)
    assert found.bound is not None
    assert reached - CLOSE_MM < found.bound < 0.0


def test_a_bore_between_two_plates_goes_to_the_near_end_of_its_interval() -> None:
    """Its walls sum to 28: 14.2 and 13.5 hold from 0.2 + U to 0.5 - U, by walls known within U of 14."""
    found, stand = solved("straight", {"front": 14.2, "back": 13.5}, freedoms=["y"], most=1.0)
    assert found.outcome is Outcome.FOUND
    front = stand.before["front"]
    assert front.measured is not None
    assert front.measured == pytest.approx(BORE_WALL_MM, abs=front.U)
    assert found.move_mm == pytest.approx([14.2 + (front.U or 0.0) - front.measured], abs=CLOSE_MM)
    assert found.floor_mm == pytest.approx(found.length_mm, abs=0.03)


def test_two_plates_that_ask_for_more_than_there_is_are_shown_to_fight() -> None:
    """28 mm of wall in all: 14.3 on both sides lacks 0.3 and U on each at best."""
    found, stand = solved("straight", {"front": 14.3, "back": 14.3}, freedoms=["y"], most=1.0)
    short = -0.3 - max(stand.before[name].U or 0.0 for name in ("front", "back"))
    assert found.outcome is Outcome.NONE_WITHIN_LIMITS
    assert found.fighting == ("front", "back")
    assert found.bound == pytest.approx(short, abs=0.03)
    assert "front against back short by" in found.words


def test_a_leaning_bore_is_turned_until_its_ends_have_their_wall() -> None:
    """At its ends the axis is 20 sin(lean) off: 14 - 20 sin(lean) is the wall there."""
    least = 13.87
    found, stand = solved("leaning", {"front": least, "back": least}, freedoms=["turn_x"], most_degrees=1.0)
    U = max(stand.before[name].U or 0.0 for name in ("front", "back"))
    kept = np.degrees(np.arcsin((BORE_WALL_MM - least - U) / HALF_LENGTH_MM))
    assert found.outcome is Outcome.FOUND
    assert found.move_mm is not None
    turned = found.freed[0].degrees(float(found.move_mm[0]))
    assert turned == pytest.approx(-(LEAN_DEG - kept), abs=np.degrees(2 * CLOSE_MM / HALF_LENGTH_MM))
    assert found.floor_mm == pytest.approx(found.length_mm, abs=0.03)

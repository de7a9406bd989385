"""Walls without judging, against closed forms and the bound by which a search drops moves."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from shared.plan import Plan
from tests.support.walls import NOISE_MM, Fault, drilled, inspected, shifted
from worker.judging.measured import Measured
from worker.rigid import RigidTransform
from worker.whatif.light import LightWall
from worker.whatif.pairs import PartMotion
from worker.whatif.parts import Part, Taking, part_of

NO_PLAN = Plan(firstpour_plan="1")
CHANGE_MM = 0.004  # of the calmed surface's noise from one least place to another
MOST_MM = 1.0


@lru_cache(maxsize=1)
def eccentric() -> tuple[Measured, Part]:
    """A bore in a tube, R_o - R_i = 5, of the piece 2.4 mm off; the bore may move."""
    measured = inspected(drilled("tube"), Fault(motions={"one": shifted(x=0.4)}, count=30_000), "one", "outside")
    return measured, part_of(Taking(region="one"), NO_PLAN, measured, "it")


def wall() -> LightWall:
    """Its wall, nothing asked of it yet but that of no move."""
    measured, bore = eccentric()
    found = LightWall.of(("one", "outside"), measured, [bore], MOST_MM)
    assert found is not None
    return found


def by(*move: float) -> list[PartMotion]:
    return [PartMotion(RigidTransform(np.eye(3), np.array(move, dtype=np.float64)), 0.0)]


@pytest.mark.parametrize("move", [[0, 0, 0], [-0.6, 0, 0], [0.3, 0.5, 0], [-0.4, -0.7, 0]])
def test_the_wall_of_a_moved_eccentric_bore_is_that_of_its_axes(move: list[float]) -> None:
    """R_o - R_i - e, e the distance of the axes."""
    own = wall()
    still, moved = own.least(by(0, 0, 0)), own.least(by(*move))
    assert still == pytest.approx(5.0 - 2.4, abs=NOISE_MM)  # the least of a whole line of equal walls
    assert moved - still == pytest.approx(2.4 - np.hypot(2.4 + move[0], move[1]), abs=CHANGE_MM)


def test_an_offset_into_the_bore_adds_to_the_wall() -> None:
    own = wall()
    still, grown = (own.least([PartMotion(RigidTransform.identity(), offset)]) for offset in (0.0, 0.2))
    assert grown - still == pytest.approx(0.2, abs=1e-3)


def test_no_wall_changes_by_more_than_the_shift() -> None:
    own = wall()
    moves = np.random.default_rng(3).uniform(-0.5, 0.5, (40, 3)) * [1, 1, 0]
    walls = np.array([own.least(by(*move)) for move in moves])
    apart = np.linalg.norm(moves[:, None] - moves[None], axis=2)
    assert (np.abs(walls[:, None] - walls[None]) <= apart + 2e-3).all()  # faces known exactly by their cylinders


def test_what_was_asked_before_changes_no_answer() -> None:
    moves = np.random.default_rng(4).uniform(-0.6, 0.6, (12, 3)) * [1, 1, 0]
    asked = wall()
    there, back = ([asked.least(by(*move)) for move in way] for way in (moves, moves[::-1]))
    assert back[::-1] == there
    assert there == pytest.approx([wall().least(by(*move)) for move in moves], abs=1e-9)


def test_no_move_in_a_box_passes_what_pairs_allow_at_its_corners() -> None:
    own, rng = wall(), np.random.default_rng(5)
    for move in rng.uniform(-0.6, 0.6, (8, 3)) * [1, 1, 0]:
        own.least(by(*move))
    corners = [by(x, y, 0) for x in (-0.3, 0.1) for y in (-0.2, 0.2)]
    most = own.most(corners)
    inside = rng.uniform([-0.3, -0.2, 0], [0.1, 0.2, 0], (30, 3))
    other = wall()  # which learns nothing from what the first was asked
    walls = [other.least(by(*move)) for move in (*inside, [-0.3, 0.0, 0.0])]
    assert max(walls) <= most + CHANGE_MM
    assert most <= max(walls) + 0.25  # of a box half as wide as that: a bound worth having


def test_skins_without_material_between_them_have_no_wall() -> None:
    measured = inspected(drilled("slot"), Fault(count=20_000), "left", "right")
    left = part_of(Taking(region="left"), NO_PLAN, measured, "it")
    assert LightWall.of(("left", "right"), measured, [left], MOST_MM) is None

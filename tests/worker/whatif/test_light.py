"""Walls without judging, against closed forms and the bound by which a search drops moves."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from shared.plan import Plan
from tests.support.walls import NOISE_MM, Fault, drilled, inspected, shifted
from worker.records import Floats
from worker.rigid import RigidTransform
from worker.whatif.light import LightWall, PartMotion
from worker.whatif.parts import Taking, part_of

NO_PLAN = Plan(firstpour_plan="1")
CHANGE_MM = 0.004  # of the calmed surface's noise from one least place to another
MOST_MM = 1.0


@lru_cache(maxsize=1)
def wall() -> LightWall:
    """An eccentric bore in a tube, R_o - R_i = 5, of the piece 2.4 mm off; the bore may move."""
    measured = inspected(drilled("tube"), Fault(motions={"one": shifted(x=0.4)}, count=30_000), "one", "outside")
    bore = part_of(Taking(region="one"), NO_PLAN, measured, "it")
    found = LightWall.of(("one", "outside"), measured, [bore], MOST_MM)
    assert found is not None
    return found


def least(*moves: Floats | list[float]) -> Floats:
    motions = [[PartMotion(RigidTransform(np.eye(3), np.array(move, dtype=np.float64)), 0.0)] for move in moves]
    rows = [wall().every_row()] * len(moves)
    return wall().least(motions, rows, np.zeros(len(moves)))[0]


@pytest.mark.parametrize("move", [[0, 0, 0], [-0.6, 0, 0], [0.3, 0.5, 0], [-0.4, -0.7, 0]])
def test_the_wall_of_a_moved_eccentric_bore_is_that_of_its_axes(move: list[float]) -> None:
    """R_o - R_i - e, e the distance of the axes."""
    still, moved = least([0, 0, 0], move)
    assert still == pytest.approx(5.0 - 2.4, abs=NOISE_MM)  # the least of a whole line of equal walls
    assert moved - still == pytest.approx(2.4 - np.hypot(2.4 + move[0], move[1]), abs=CHANGE_MM)


def test_an_offset_into_the_bore_adds_to_the_wall() -> None:
    out = [[PartMotion(RigidTransform.identity(), offset)] for offset in (0.0, 0.2)]
    still, grown = wall().least(out, [wall().every_row()] * 2, np.zeros(2))[0]
    assert grown - still == pytest.approx(0.2, abs=1e-3)


def test_no_wall_changes_by_more_than_the_shift() -> None:
    moves = np.random.default_rng(3).uniform(-0.5, 0.5, (40, 3)) * [1, 1, 0]
    walls = least(*moves)
    apart = np.linalg.norm(moves[:, None] - moves[None], axis=2)
    assert (np.abs(walls[:, None] - walls[None]) <= apart + 2e-3).all()  # faces known exactly by their cylinders


def test_rows_kept_for_a_box_hold_the_least_everywhere_in_it() -> None:
    reach = 0.25
    motion = [[PartMotion(RigidTransform(np.eye(3), np.array([-0.2, 0.1, 0.0])), 0.0)]]
    _, (kept,) = wall().least(motion, [wall().every_row()], np.array([reach]))
    assert sum(map(len, kept)) < sum(map(len, wall().every_row()))
    angles = np.linspace(0, 2 * np.pi, 12)
    moves = np.array([-0.2, 0.1, 0.0]) + reach * np.column_stack([np.cos(angles), np.sin(angles), np.zeros(12)])
    motions = [[PartMotion(RigidTransform(np.eye(3), move), 0.0)] for move in moves]
    own, _ = wall().least(motions, [kept] * len(moves), np.zeros(len(moves)))
    assert own == pytest.approx(least(*moves), abs=1e-9)


def test_skins_without_material_between_them_have_no_wall() -> None:
    measured = inspected(drilled("slot"), Fault(count=20_000), "left", "right")
    left = part_of(Taking(region="left"), NO_PLAN, measured, "it")
    assert LightWall.of(("left", "right"), measured, [left], MOST_MM) is None

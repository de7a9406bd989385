"""A displaced core: its six numbers, its size, frames, and what walls owe to it."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from shared.plan import Plan
from tests.support.walls import Fault, drilled, inspected, shifted
from worker.exhibits import Cell, Table
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.records import Characteristic, Verdict
from worker.rigid import RigidTransform

MIDDLE = np.array([0.0, 1.0, -6.0])  # of the skew bore along x
TURN_DEG = 0.2
MOVED = RigidTransform.about(np.radians([0.0, 0.0, TURN_DEG]), np.array([0.0, 0.1, 0.4]), MIDDLE)
CORE = {"id": "c", "kind": "core_displacement", "region": "one", "most": 0.6, "shrink_removed": False}
WALL = {"id": "w", "kind": "wall_between", "region": "other", "toward": "one", "least": 1.0}


def _plan(*lines: dict[str, Any]) -> Plan:
    faces = ((0, 0, 20), (0, -20, 0), (-30, 15, 15), (0, 0, -20))  # points of the top, front, left and bottom
    datums = [{"letter": letter, "feature": {"point": list(at)}} for letter, at in zip("ABCD", faces, strict=True)]
    regions = [{"name": name, "faces": [0]} for name in ("one", "other", "top")]
    frames = [
        {"name": f"from the {name}", "datums": [first, "B", "C"]} for name, first in (("top", "A"), ("bottom", "D"))
    ]
    return Plan.model_validate(
        {"firstpour_plan": "1", "regions": regions, "datums": datums, "frames": frames, "characteristics": list(lines)}
    )


@lru_cache(maxsize=4)
def _piece(kind: str, top_mm: float = 0.0, unseen: tuple[str, ...] = ()) -> Measured:
    motions = {"one": MOVED} | ({"top": shifted(z=top_mm)} if top_mm else {})
    return inspected(drilled(kind), Fault(motions=motions, unseen=unseen, count=30_000), "one", "other")


def _core(measured: Measured, *others: dict[str, Any], **changes: Any) -> Characteristic:
    return judge_plan(_plan(CORE | changes, *others), measured)[0]


def _number(cell: Cell) -> float:
    assert isinstance(cell, float)
    return cell


def _table(found: Characteristic, start: str) -> Table:
    return next(table for table in found.exhibits.tables if table.title.startswith(start))


def test_six_numbers_are_within_their_uncertainty_and_what_the_shape_leaves_open_is_left_out() -> None:
    """A bore along x shows neither how far it slid along x nor how far it turned about it."""
    x, y, z = _table(_core(_piece("skew")), "How one sits").rows
    assert x[1:5] == (None, None, None, None)
    assert x[5] == "shift and turn not shown by its shape"
    assert _number(y[1]) == pytest.approx(0.1, abs=_number(y[2]))
    assert _number(z[1]) == pytest.approx(0.4, abs=_number(z[2]))
    assert _number(y[3]) == pytest.approx(0.0, abs=_number(y[4]))
    assert _number(z[3]) == pytest.approx(TURN_DEG, abs=_number(z[4]))
    assert max(_number(row[2]) for row in (y, z)) < 0.01


def test_a_ball_shows_its_shift_and_none_of_its_turns() -> None:
    measured = inspected(drilled("ball"), Fault(motions={"one": shifted(0.1, 0.0, 0.3)}, count=30_000), "one")
    rows = _table(_core(measured), "How one sits").rows
    assert [row[1] for row in rows] == pytest.approx([0.1, 0.0, 0.3], abs=0.01)
    assert {row[3] for row in rows} == {None}
    assert {row[5] for row in rows} == {"turn not shown by its shape"}


def test_what_the_scan_does_not_show_of_a_shift_does_not_pass() -> None:
    found = _core(_piece("skew"))
    assert found.verdict is Verdict.NOT_PROVEN
    assert "slides along x" in str(found.reason)


@pytest.mark.parametrize(("kind", "growth_mm", "percent"), [("skew", 0.03, 100.5), ("ball", 0.04, 100.5)])
def test_size_of_a_core_is_told_apart_from_its_shift(kind: str, growth_mm: float, percent: float) -> None:
    """A bore of 6 mm radius grown by 0.03, a ball of 8 mm by 0.04: half a percent."""
    fault = Fault(motions={"one": MOVED}, growth_mm={"one": growth_mm}, count=30_000)
    ((_, size, U, known),) = _table(_core(inspected(drilled(kind), fault, "one")), "Size of one").rows
    assert size == pytest.approx(percent, abs=_number(U))
    assert _number(U) < 0.1
    assert str(known).startswith("yes")


def test_a_plane_has_no_size() -> None:
    measured = inspected(drilled("plate"), Fault(count=30_000), "top")
    ((_, size, U, known),) = _table(_core(measured, region="top"), "Size of top").rows
    assert (size, U) == (None, None)
    assert known == "not determined: its shape does not show its size"


@pytest.mark.parametrize(("frame", "height_mm"), [("from the top", 0.1), ("from the bottom", 0.4)])
def test_against_a_frame_a_core_moves_with_its_datums(frame: str, height_mm: float) -> None:
    """The top lies 0.3 mm high: seen from there the core sits 0.1 mm high, from the bottom 0.4."""
    found = _core(_piece("skew", 0.3), frame=frame)
    row = _table(found, f"How one sits against frame {frame}").rows[2]
    assert row[1] == pytest.approx(height_mm, abs=_number(row[2]))
    assert found.frame == frame
    assert found.budget["alignment"] > 0


def test_a_frame_that_cannot_be_made_leaves_the_core_not_measured() -> None:
    found = _core(_piece("skew", 0.0, ("top",)), frame="from the top")
    assert found.verdict is Verdict.NOT_MEASURED
    assert found.measured is None


def test_a_wall_says_how_much_of_its_change_the_shift_made() -> None:
    """The other bore lies above: of the wall's change all 0.4 mm are this core's."""
    ((name, change, U, due, due_U, text),) = _table(_core(_piece("skew"), WALL), "Walls beside").rows
    assert name == "w"
    assert change == pytest.approx(-0.4, abs=_number(U))
    assert due == pytest.approx(-0.4, abs=_number(due_U))
    assert "is due to this shift" in str(text)


def test_a_wall_that_was_not_measured_says_so() -> None:
    measured = inspected(drilled("skew"), Fault(motions={"one": MOVED}, count=30_000), "one", "other")
    line = WALL | {"kind": "wall_thickness", "region": "one", "toward": "one"}
    ((_, change, _, due, _, text),) = _table(_core(measured, line), "Walls beside").rows
    assert (change, due) == (None, None)
    assert "not measured" in str(text)

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from shared.plan import Scenario
from tests.support.whatif_plate import BORE_1, measured_plate, whatif_plan
from worker.exhibits import Mark
from worker.records import Floats
from worker.whatif.arrows import ARC_STEPS, parts_mask, step_marks, with_marks
from worker.whatif.parts import Step, steps_of
from worker.whatif.records import DIAMETER, Asked

RISEN = {"name": "one", "body": "rocker", "place": {"transform": {"translation": [0, 0, 5]}}}


def steps(move: dict[str, Any]) -> tuple[Step, ...]:
    plan = whatif_plan(mock_up=[RISEN])
    return steps_of(Scenario.model_validate({"name": "x", "moves": [move]}), plan, measured_plate())


def mark(move: dict[str, Any]) -> Mark:
    (found,) = step_marks(steps(move), ["it"], measured_plate())
    return found


def asked(**changes: Any) -> Asked:
    plain: dict[str, Any] = {"who": "foundry", "what": "bore", "reason": "short", "line": "w"}
    (found,) = with_marks([Asked(**plain | changes)], whatif_plan(mock_up=[RISEN]), measured_plate())
    return found


def way(line_mm: Floats) -> Floats:
    unit: Floats = (line_mm[1] - line_mm[0]) / np.linalg.norm(line_mm[1] - line_mm[0])
    return unit


def test_a_shift_starts_on_what_moves_and_points_where_it_goes() -> None:
    points = mark({"feature": BORE_1, "translation": [0.1, 0.2, 0.0]}).points_mm
    assert np.hypot(*(points[0, :2] - [18.0, 20.0])) == pytest.approx(6.0, abs=0.02)
    assert way(points) == pytest.approx(np.array([1.0, 2.0, 0.0]) / np.sqrt(5), abs=1e-9)


@pytest.mark.parametrize(("offset", "along_x"), [(0.2, -1.0), (-0.2, 1.0)])
def test_an_offset_points_out_of_material_where_it_adds_some(offset: float, along_x: float) -> None:
    """The pocket's end at x = 56 looks back along x."""
    points = mark({"region": "pocket end", "offset": offset}).points_mm
    assert points[0, 0] == pytest.approx(56.0)
    assert way(points) == pytest.approx([along_x, 0.0, 0.0], abs=1e-6)


def test_a_turn_is_an_arc_right_handed_about_its_axis() -> None:
    turn = {"rotation_axis": [0, 0, 1], "rotation_degrees": 0.2, "point": [18, 20, 6]}
    arc = mark({"feature": BORE_1, **turn}).points_mm[:ARC_STEPS]
    radii = arc[:, :2] - [18.0, 20.0]
    assert np.ptp(np.linalg.norm(radii, axis=1)) == pytest.approx(0.0, abs=1e-6)
    assert (radii[0, 0] * radii[1, 1] - radii[0, 1] * radii[1, 0]) > 0


def test_a_body_is_shown_where_it_is_placed() -> None:
    """The rocker is the plate's own shape, 20 mm higher in its file, put 5 mm higher still."""
    points = mark({"body": "one", "translation": [0, 0, -1]}).points_mm
    assert 25.0 <= points[0, 2] <= 37.0
    assert not parts_mask(steps({"body": "one", "translation": [0, 0, -1]}), measured_plate()).any()


def test_what_moves_is_picked_out_with_its_arrow() -> None:
    own = steps({"region": "pocket end", "offset": 0.1})
    mask = parts_mask(own, measured_plate())
    assert measured_plate().samples.points_mm[mask, 0] == pytest.approx(np.full(mask.sum(), 56.0))


def test_a_move_of_nothing_has_no_arrow() -> None:
    assert step_marks(steps({"feature": BORE_1, "translation": [0, 0, 0]}), ["it"], measured_plate()) == ()


def test_a_larger_hole_is_shown_going_into_the_metal() -> None:
    found = asked(what="hole-1", size_mm=0.2, size_words=DIAMETER)
    assert found.arrow_mm is not None
    radial = found.arrow_mm[0, :2] - [18.0, 20.0]
    assert way(found.arrow_mm)[:2] @ radial > 0


def test_a_region_a_feature_and_a_body_to_ask_for_have_their_place() -> None:
    shift = np.array([0.0, 0.0, 0.3])
    for name in ("bore", "hole-1", "one"):
        found = asked(what=name, shift_mm=shift)
        assert found.arrow_mm is not None
        assert way(found.arrow_mm) == pytest.approx([0.0, 0.0, 1.0])
    assert asked(what="nobody knows", shift_mm=shift).arrow_mm is None

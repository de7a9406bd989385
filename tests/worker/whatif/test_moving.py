"""Closed forms: a rigid skin moved by t changes a distance square to it by t; an offset d changes a diameter by 2 d."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from shared.plan import MoveOf, Scenario
from tests.support.whatif_plate import BACK, BORE_1, BORE_2, FRONT, LEFT, OFF_MM, measured_plate, whatif_plan
from worker.judging.characteristics import judge_line
from worker.judging.measured import Measured
from worker.records import Characteristic, Region
from worker.whatif.motions import Offset, moved_nominal
from worker.whatif.moving import MovingSettings, as_nominal, moved
from worker.whatif.parts import Step, steps_of
from worker.whatif.scenarios import picked_by_id, with_own_bodies

FIVE_THOU_MM = 0.127
EXTREME_MM = 1e-4  # a hundredth of its U
ACROSS: dict[str, Any] = {"kind": "distance", "first": LEFT, "second": BORE_1, "nominal": 18.0, "upper_deviation": 0.5}
SIZE: dict[str, Any] = {"kind": "size", "feature": BORE_1, "lower_deviation": -0.1, "upper_deviation": 0.1}
WALL: dict[str, Any] = {"kind": "wall_thickness", "region": "pocket end", "toward": "far end", "least": 3.0}
PLACE: dict[str, Any] = {"kind": "position", "feature": BORE_1, "zone_diameter": 0.1}
FAR: dict[str, Any] = {"kind": "distance", "first": FRONT, "second": BACK, "general": "ISO 2768-m"}


@lru_cache(maxsize=1)
def perfect() -> Measured:
    """The perfect plate."""
    return as_nominal(measured_plate())


def after(line: dict[str, Any], move: dict[str, Any], measured: Measured, of: str = "design") -> Characteristic:
    """The line after a move."""
    plan = picked_by_id(whatif_plan({"id": "it", **line}), measured)
    settings = MovingSettings(with_thickness=line is WALL, thread_count=1)
    return judge_line(plan.characteristics[0], plan, moved(measured, steps(move, measured, of), settings))


def steps(move: dict[str, Any], measured: Measured, of: str = "design") -> tuple[Step, ...]:
    scenario = Scenario.model_validate({"name": "x", "of": of, "moves": [move]})
    return steps_of(scenario, whatif_plan(), measured)


def change(line: dict[str, Any], move: dict[str, Any], measured: Measured, of: str = "design") -> float:
    still = after(line, {"feature": BORE_1, "translation": (0, 0, 0)}, measured, of).measured
    gone = after(line, move, measured, of).measured
    assert still is not None
    assert gone is not None
    return gone - still


OUT = {"feature": BORE_1, "translation": (FIVE_THOU_MM, 0, 0)}
MOVES: list[tuple[dict[str, Any], dict[str, Any], float]] = [
    (ACROSS, OUT, FIVE_THOU_MM),
    (ACROSS, {"region": "bore", "translation": (FIVE_THOU_MM, 0, 0)}, FIVE_THOU_MM),
    (WALL, {"region": "pocket end", "translation": (-FIVE_THOU_MM, 0, 0)}, FIVE_THOU_MM),
    (WALL, {"region": "pocket end", "offset": FIVE_THOU_MM}, FIVE_THOU_MM),
    (WALL, OUT, 0.0),
    (FAR, OUT, 0.0),
    (PLACE, OUT, 0.0),
    (SIZE, OUT, 0.0),
]


@pytest.mark.parametrize(("line", "move", "expected"), MOVES)
def test_nominal_changes_by_the_move_exactly(line: dict[str, Any], move: dict[str, Any], expected: float) -> None:
    assert change(line, move, perfect()) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("line", "move", "expected"), MOVES)
def test_the_scanned_piece_changes_by_the_same_amount(
    line: dict[str, Any], move: dict[str, Any], expected: float
) -> None:
    """An extreme less what noise adds to it hangs a little on how many places along the rim still count."""
    assert change(line, move, measured_plate()) == pytest.approx(expected, abs=EXTREME_MM if line is WALL else 1e-6)


@pytest.mark.parametrize(("line", "of_nominal"), [(ACROSS, 18.0), (SIZE, 12.0), (WALL, 4.0), (PLACE, 0.0), (FAR, 40.0)])
def test_the_perfect_piece_measures_what_the_cad_says_without_uncertainty(
    line: dict[str, Any], of_nominal: float
) -> None:
    still = {"feature": BORE_1, "translation": (0, 0, 0)}
    found = after(line, still, perfect())
    assert found.measured == pytest.approx(of_nominal, abs=1e-6)
    assert pytest.approx(0.0, abs=1e-6) == found.U


def test_a_diameter_grows_by_what_is_asked() -> None:
    move = {"feature": BORE_1, "diameter_change": 0.1}
    assert change(SIZE, move, perfect()) == pytest.approx(0.1, abs=1e-6)
    found = after(SIZE, move, measured_plate())
    assert found.U is not None
    assert change(SIZE, move, measured_plate()) == pytest.approx(0.1, abs=found.U)  # its points are chosen anew
    assert found.nominal == pytest.approx(12.1)


def test_an_offset_puts_the_edge_of_two_skins_at_the_offset_of_both() -> None:
    """A corner whose two faces move outward by d moves by d along each of their normals."""
    nominal = measured_plate().nominal
    corner = np.flatnonzero((nominal.vertices_mm == [60.0, 40.0, 12.0]).all(axis=1))[0]
    at_corner = [face.index for face in nominal.faces if face.axis is not None and face.axis[:2].sum() > 0.5]
    moving = [face for face in at_corner if _reaches(measured_plate(), face, int(corner))]
    found = moved_nominal(nominal, np.isin(nominal.triangle_face, moving), Offset(0.5))
    assert found.vertices_mm[corner] == pytest.approx([60.5, 40.5, 12.0])


def _reaches(measured: Measured, face: int, vertex: int) -> bool:
    nominal = measured.nominal
    return bool((nominal.triangles[nominal.triangle_face == face] == vertex).any())


def test_a_turn_of_the_bore_about_its_own_middle_leans_its_axis() -> None:
    degrees = 0.2
    turn = {"rotation_axis": (0, 1, 0), "rotation_degrees": degrees, "point": (18, 20, 6)}
    lean = {"kind": "angle", "first": BORE_1, "second": BORE_2, "upper_degrees": 1.0}
    assert after(lean, {"feature": BORE_1, **turn}, perfect()).measured == pytest.approx(degrees, abs=1e-6)


def test_a_body_goes_alone() -> None:
    measured = measured_plate()
    found = moved(measured, steps({"body": "rocker", "translation": (0, 0, -1)}, measured))
    assert found.bodies[0].vertices_mm == pytest.approx(measured.bodies[0].vertices_mm - [0, 0, 1])
    assert found.samples is measured.samples


def test_a_placed_part_goes_in_the_axes_of_the_piece_and_alone() -> None:
    """A part turned by a quarter about z has the piece's x along its own -y."""
    quarter = {"translation": (5, 0, 0), "rotation_axis": (0, 0, 1), "rotation_degrees": 90}
    parts = [{"name": name, "body": "rocker", "place": {"transform": quarter}} for name in ("one", "two")]
    plan, measured = with_own_bodies(whatif_plan(mock_up=parts), measured_plate())
    scenario = Scenario.model_validate({"name": "x", "moves": [{"body": "two", "translation": (1, 0, 0)}]})
    found = moved(measured, steps_of(scenario, plan, measured), MovingSettings(with_thickness=False))
    before, after = ({body.name: body.vertices_mm for body in one.bodies} for one in (measured, found))
    assert [entry.body for entry in plan.mock_up] == ["rocker of one", "rocker of two"]
    assert after["rocker of two"] == pytest.approx(before["rocker of two"] + [0, -1, 0])
    assert after["rocker of one"] is before["rocker of one"]


def test_of_the_piece_the_cad_stays_and_the_fault_goes() -> None:
    back = {"feature": BORE_1, "translation": tuple(-OFF_MM)}
    off = after(PLACE, {**back, "translation": (0, 0, 0)}, measured_plate())
    found = after(PLACE, back, measured_plate(), "piece")
    assert off.measured == pytest.approx(2 * np.linalg.norm(OFF_MM), abs=0.005)
    assert found.measured == pytest.approx(0.0, abs=0.01)
    assert after(ACROSS, back, measured_plate(), "piece").nominal == 18.0


def test_the_seam_stays_closed() -> None:
    base = measured_plate()
    found = moved(base, steps(OUT, base))
    corners = [np.unique(np.round(one.samples.points_mm, 6), axis=0) for one in (base, found)]
    assert len(corners[0]) == len(corners[1])
    assert found.net is base.net


def test_the_wall_changes_with_its_far_skin_too() -> None:
    """Its rim, where the far end of a ray lies on two skins at once, may be read from either."""
    move = {"region": "far end", "offset": -FIVE_THOU_MM}
    assert change(WALL, move, perfect()) == pytest.approx(-FIVE_THOU_MM, abs=1e-6)
    assert change(WALL, move, measured_plate()) == pytest.approx(-FIVE_THOU_MM, abs=2e-4)


def test_the_wall_of_the_piece_changes_by_its_offset() -> None:
    move = {"region": "pocket end", "offset": FIVE_THOU_MM}
    assert change(WALL, move, measured_plate(), "piece") == pytest.approx(FIVE_THOU_MM, abs=1e-6)


def test_the_pose_and_what_stands_stay_as_measured() -> None:
    base = measured_plate()
    found = moved(base, steps(OUT, base))
    still, gone = (next(one for one in found.features if one.id == name) for name in ("hole-2", "hole-1"))
    assert found.pose_frame is base.pose_frame
    assert found.measured_feature(still) is base.measured_feature(still)
    assert found.measured_feature(gone) is not base.measured_feature(base.features[-2])


def test_moving_leaves_the_piece_it_was_given() -> None:
    base = measured_plate()
    assert base.deviation is not None
    before = [base.samples.points_mm.copy(), base.nominal.vertices_mm.copy(), base.deviation.scan_points_mm.copy()]
    for of in MoveOf:
        moved(base, steps(OUT, base, of.value))
    now = [base.samples.points_mm, base.nominal.vertices_mm, base.deviation.scan_points_mm]
    assert all(np.array_equal(one, other) for one, other in zip(before, now, strict=True))


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"body": "cam", "offset": None, "translation": (0, 0, 1)}, "no body is named 'cam' (known: rocker)"),
    ({"region": "half", "offset": 0.1}, "ends in the middle of triangles"),
    ({"feature": "hole-9", "translation": (0, 0, 1)}, "no feature hole-9"),
    ({"feature": LEFT, "diameter_change": 0.1}, "has no diameter"),
]


@pytest.mark.parametrize(("move", "words"), REFUSED)
def test_what_cannot_be_moved_is_refused_by_name(move: dict[str, Any], words: str) -> None:
    base = measured_plate()
    half = base.samples.points_mm[:, 0] < 30.0
    cut = replace(base, regions=(*base.regions, Region("half", "box", half & (base.samples.normals[:, 1] > 0.9))))
    with pytest.raises(PlanInvalid) as caught:
        steps(move, cut)
    assert words in caught.value.message
    assert "what if x, moves[0]" in caught.value.message

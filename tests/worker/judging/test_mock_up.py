from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from shared.plan import Plan
from tests.support.mock_ups import ball
from tests.support.mock_ups import box as box_mesh
from tests.support.shapes import deviation_of, perfect_alignment, scan_of
from tests.support.solids import box, cut, cylinder, tessellated
from worker.features.detect import detect_features
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.measuring.regions import Places, choose_regions
from worker.records import Body, Characteristic, Nominal, Scan, Verdict

EXACT_MM = 1e-6
SIZE = (80.0, 50.0, 12.0)
HOLES = ((15.0, 12.0), (65.0, 12.0), (65.0, 38.0))
RADIUS_MM = 4.0
BALL_MM = 8.0
TOP = {"name": "top", "box": {"minimum": [-1, -1, 11.9], "maximum": [81, 51, 12.1]}}
END = {"name": "end", "box": {"minimum": [79.9, -1, -1], "maximum": [80.1, 51, 13]}}
SEAT: dict[str, Any] = {
    "part": {"kind": "plane", "point": [0, 0, 0], "direction": [0, 0, -1]},
    "piece": {"point": [40, 25, 12]},
    "offset": 3,
}
AXES = [
    {"part": {"kind": "axis", "point": [*centre, 0], "direction": [0, 0, 1]}, "piece": {"point": [*centre, 6]}}
    for centre in HOLES
]
PAIRS = [{"part_point": [*centre, 0], "feature": {"point": [*centre, 6]}} for centre in HOLES]
BY_MATES = {"mates": [SEAT, AXES[0], AXES[1]]}
BY_HOLES = {"seat": SEAT, "holes": PAIRS}


@lru_cache(maxsize=1)
def plate() -> Nominal:
    drills = [cylinder((x, y, -1), (0, 0, 1), RADIUS_MM, 20) for x, y in HOLES]
    return tessellated(cut(box((0, 0, 0), SIZE), drills))


def body(name: str, size: tuple[float, float, float], corner: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Body:
    mesh = box_mesh(size, corner)
    return Body(name, "part", mesh.vertices_mm, mesh.triangles)


def bracket() -> Body:
    """A slab 3 mm over the top of the plate that hangs over its end with a leg 2 mm beside it."""
    slab, leg = box_mesh((83.0, 50.0, 5.0)), box_mesh((3.0, 50.0, 9.0), (82.0, 0.0, -9.0))
    both = np.concatenate([slab.vertices_mm, leg.vertices_mm])
    return Body("bracket", "part", both, np.concatenate([slab.triangles, leg.triangles + 8]))


BODIES = (
    body("cube", (10.0, 10.0, 10.0)),
    body("bar", (24.0, 4.0, 4.0), (-12.0, -2.0, -2.0)),
    bracket(),
    Body("ball", "part", ball(BALL_MM).vertices_mm, ball(BALL_MM).triangles),
)


def plan_of(line: dict[str, Any], *placed: dict[str, Any], **rest: Any) -> Plan:
    given = {"id": "it", "kind": "clearance", "least": 1.0, **line}
    raw = {"firstpour_plan": "1", "regions": [TOP, END], "characteristics": [given], "mock_up": list(placed), **rest}
    return Plan.model_validate(raw).to_mm()


def at(name: str, part: str, *translation: float, **rest: Any) -> dict[str, Any]:
    return {"name": name, "body": part, "place": {"transform": {"translation": list(translation), **rest}}}


@lru_cache(maxsize=12)
def measured_with(
    top_mm: float = 0.0, holes_mm: float = 0.0, noise_mm: float = 0.0, seed: int = 1, unseen_x_mm: float = 1e9
) -> Measured:
    """The plate scanned: its top raised, its holes shifted along x, noisy, and unseen beyond a place."""
    nominal = plate()
    scan = scan_of(nominal, 60_000, seed, noise_mm=noise_mm)
    assert scan.normals is not None
    points, normals = scan.points_mm.copy(), scan.normals
    points[normals[:, 2] > 0.9, 2] += top_mm
    near = np.min([np.hypot(points[:, 0] - x, points[:, 1] - y) for x, y in HOLES], axis=0)
    points[near < RADIUS_MM + 0.3, 0] += holes_mm * (np.abs(normals[near < RADIUS_MM + 0.3, 2]) < 0.1)
    kept = points[:, 0] < unseen_x_mm
    samples, deviation = deviation_of(nominal, Scan(points[kept], normals[kept], None, "mm", 0.0))
    features = detect_features(nominal)
    return Measured(
        nominal=nominal,
        samples=samples,
        alignment=perfect_alignment(sigma_mm=0.003),
        deviation=deviation,
        thickness=None,
        regions=choose_regions(
            plan_of({"body": "a"}, at("a", "cube", 0.0, 0.0, 0.0)), Places(nominal, samples, (), features)
        ),
        quantum_mm=1e-6,
        features=features,
        bodies=BODIES,
    )


def judged(plan: Plan, measured: Measured | None = None) -> Characteristic:
    return judge_plan(plan, measured or measured_with())[0]


@pytest.mark.parametrize(
    ("translation", "against", "nominal_mm"),
    [
        ((20.0, 20.0, 15.0), "piece", 3.0),
        ((84.0, 20.0, 15.0), "piece", 5.0),  # over the edge: 4 aside, 3 above
        ((84.0, 20.0, 15.0), "end", 5.0),
        ((84.0, 20.0, 1.0), "top", float(np.hypot(4.0, 1.0))),  # beside the end, its top 1 below the region's plane
        ((20.0, 20.0, 11.5), "piece", -0.5),
    ],
)
def test_nominal_clearance_of_a_cube_is_exact(
    translation: tuple[float, float, float], against: str, nominal_mm: float
) -> None:
    found = judged(plan_of({"body": "a", "against": against}, at("a", "cube", *translation)))
    assert found.nominal == pytest.approx(nominal_mm, abs=EXACT_MM)
    assert found.measured == pytest.approx(nominal_mm, abs=1e-4)


@pytest.mark.parametrize(("seed", "top_mm"), [(1, 0.0), (2, 0.2)])
def test_a_ball_over_a_face_clears_it_by_its_height_less_its_radius(seed: int, top_mm: float) -> None:
    """Sphere to plane, exact in the CAD, for the ball's lowest place is a corner of its mesh; on the piece within U."""
    placed = at("a", "ball", 40.0, 25.0, SIZE[2] + BALL_MM + 3.0)
    found = judged(plan_of({"body": "a", "against": "top"}, placed), measured_with(top_mm, 0.0, 0.02, seed))
    assert found.nominal == pytest.approx(3.0, abs=EXACT_MM)
    assert found.U is not None
    assert abs((found.measured or 0.0) - (3.0 - top_mm)) <= found.U


@pytest.mark.parametrize(
    ("top_mm", "verdict"), [(0.4, Verdict.CONFORMS), (1.2, Verdict.DOES_NOT_CONFORM), (-0.3, Verdict.CONFORMS)]
)
def test_clearance_on_the_piece_is_to_its_surface_as_scanned(top_mm: float, verdict: Verdict) -> None:
    found = judged(plan_of({"body": "a", "least": 2.0}, at("a", "cube", 20.0, 20.0, 15.0)), measured_with(top_mm))
    assert (found.nominal, found.measured) == pytest.approx((3.0, 3.0 - top_mm), abs=1e-4)
    assert found.verdict is verdict
    assert "clay" in str(found.details["caution"])


def test_interference_is_told_by_depth_and_volume() -> None:
    found = judged(plan_of({"body": "a"}, at("a", "cube", 20.0, 20.0, 11.5)), measured_with(0.25))
    assert found.measured == pytest.approx(-0.75, abs=2e-3)
    assert found.details["interference_volume_mm3"] == pytest.approx(75.0, rel=2e-3)
    assert found.details["volume_by"] == "intersection of the two meshes"
    assert found.verdict is Verdict.DOES_NOT_CONFORM


def test_a_part_that_sits_on_the_piece_rises_with_it() -> None:
    """The bracket's leg hangs 2 mm beside the end; seat and holes measured, its clearance from it stays."""
    found = judged(
        plan_of({"body": "a", "against": "end"}, {"name": "a", "body": "bracket", "place": BY_MATES}),
        measured_with(0.4),
    )
    assert (found.nominal, found.measured) == pytest.approx((2.0, 2.0), abs=2e-3)


@pytest.mark.parametrize("place", [BY_MATES, BY_HOLES], ids=["mates", "holes"])
def test_a_planted_shift_of_the_holes_is_a_shift_of_the_part_on_them(place: dict[str, Any]) -> None:
    line = {"body": "a", "against": "end"}
    found = judged(plan_of(line, {"name": "a", "body": "bracket", "place": place}), measured_with(0.0, 0.2))
    assert found.nominal == pytest.approx(2.0, abs=EXACT_MM)
    assert found.measured == pytest.approx(2.2, abs=5e-3)
    assert {name for name in found.budget if name.startswith("fit of")} >= {"fit of hole-1"}
    assert "alignment" not in found.budget


def test_how_far_each_mate_was_left_off_is_told() -> None:
    found = judged(plan_of({"body": "a"}, {"name": "a", "body": "bracket", "place": BY_HOLES}))
    table = next(table for table in found.exhibits.tables if "sit" in table.title)
    assert len(table.rows) == 4
    assert max(float(str(row[2])) for row in table.rows) < 0.01


def test_a_turning_bar_is_nearest_where_its_corner_faces_the_top() -> None:
    """Corner at hypot(12, 2) from the axis, 15 mm above the top: least 15 - 12.166, at 90 degrees less atan(2/12)."""
    turn = {"rotation": {"point": [40, 25, 27], "axis": [0, 1, 0], "from_degrees": 0, "to_degrees": 90}}
    found = judged(plan_of({"body": "a", "motion": turn}, at("a", "bar", 40.0, 25.0, 27.0)))
    least = 15 - float(np.hypot(12.0, 2.0))
    assert (found.nominal, found.measured) == pytest.approx((least, least), abs=0.015)
    assert found.details["position_degrees"] == pytest.approx(90 - np.degrees(np.arctan2(2.0, 12.0)), abs=1.5)
    (plot,) = found.exhibits.plots
    assert {curve.name for curve in plot.curves} == {"on the piece", "as drawn"}
    assert plot.curves[0].y.min() == pytest.approx(found.measured, abs=1e-6)
    assert found.exhibits.marks[0].points_mm.shape == (2, 3)


def test_a_slide_is_followed_to_its_end() -> None:
    slide = {"slide": {"direction": [0, 0, -1], "travel": [0, 2.5]}}
    found = judged(plan_of({"body": "a", "motion": slide}, at("a", "cube", 20.0, 20.0, 15.0)))
    assert found.measured == pytest.approx(0.5, abs=1e-4)
    assert found.details["position_mm"] == pytest.approx(2.5)


def test_a_part_that_moves_along_with_another_counts_too() -> None:
    slide = {"slide": {"direction": [0, 0, -1], "travel": [0, 1]}}
    parts = at("a", "cube", 20.0, 20.0, 20.0), at("b", "cube", 50.0, 20.0, 15.0)
    found = judged(plan_of({"body": "a", "moving": ["b"], "motion": slide}, *parts))
    assert found.measured == pytest.approx(2.0, abs=1e-4)
    assert found.details["part"] == "b"


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_noise_of_the_scan_stays_within_U(seed: int) -> None:
    line, part = {"body": "a"}, at("a", "cube", 20.0, 20.0, 15.0)
    found = judged(plan_of(line, part), measured_with(0.2, 0.0, 0.02, seed))
    assert found.U is not None
    assert abs(float(found.measured or 0.0) - 2.8) < found.U < 0.08


def test_own_uncertainty_of_a_part_the_scanner_and_alignment_are_in_the_budget() -> None:
    part = at("a", "cube", 20.0, 20.0, 15.0) | {"expanded_uncertainty": 0.1}
    found = judged(plan_of({"body": "a"}, part, scanner={"expanded_uncertainty": 0.04}))
    assert found.budget["bought-in part"] == pytest.approx(0.05)
    assert found.budget["scanner"] == pytest.approx(0.02)
    assert found.budget["alignment"] == pytest.approx(0.003)


def test_parts_that_both_stand_by_figures_are_a_matter_of_the_drawing_and_do_not_pass() -> None:
    found = judged(
        plan_of({"body": "a", "against": "b"}, at("a", "cube", 0.0, 0.0, 40.0), at("b", "cube", 13.0, 14.0, 40.0))
    )
    assert found.measured == pytest.approx(5.0, abs=EXACT_MM)
    assert (found.verdict, "drawing" in str(found.reason)) == (Verdict.NOT_PROVEN, True)


def test_what_two_parts_sit_on_together_moves_both_and_drops_out() -> None:
    other = {"name": "b", "body": "bracket", "place": BY_MATES}
    twin = {"name": "a", "body": "cube", "place": {"mates": [SEAT, *AXES[:2]]}}
    slide = {"slide": {"direction": [0, 0, 1], "travel": [7.0, 8.0]}}
    found = judged(plan_of({"body": "a", "against": "b", "motion": slide}, twin, other))
    assert found.measured == pytest.approx(2.0, abs=1e-4)
    assert len([name for name in found.budget if name.startswith("fit of")]) == 3
    assert sum(part for name, part in found.budget.items() if name.startswith("fit of")) < 1e-6


def test_surface_that_was_not_scanned_does_not_pass() -> None:
    found = judged(plan_of({"body": "a"}, at("a", "cube", 60.0, 20.0, 15.0)), measured_with(unseen_x_mm=50.0))
    assert (found.verdict, "not scanned" in str(found.reason)) == (Verdict.NOT_PROVEN, True)


def test_a_part_on_a_hole_that_was_not_scanned_is_not_placed() -> None:
    plan = plan_of({"body": "a"}, {"name": "a", "body": "bracket", "place": BY_MATES})
    found = judged(plan, measured_with(unseen_x_mm=50.0))
    assert found.verdict is Verdict.NOT_MEASURED
    assert "a cannot be placed on the piece" in str(found.reason)


WRONG: list[tuple[dict[str, Any], str]] = [
    (at("a", "gasket", 0.0, 0.0, 0.0), "no part of the revision is named 'gasket'"),
    ({"name": "a", "body": "bracket", "place": {"mates": [SEAT]}}, "slides along x and slides along y"),
    ({"name": "a", "body": "bracket", "place": {"mates": [SEAT, AXES[0]]}}, "turns about z"),
    ({"name": "a", "body": "bracket", "place": {"holes": PAIRS}}, "slides along z"),
    ({"name": "a", "body": "bracket", "place": {"mates": [SEAT | {"piece": "hole-1"}]}}, "no match for a plane"),
]


@pytest.mark.parametrize(("placed", "words"), WRONG)
def test_a_place_that_cannot_be_is_refused_by_name(placed: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanInvalid, match=words):
        judged(plan_of({"body": "a"}, placed))


def test_a_body_that_is_moved_is_measured_where_it_is_then() -> None:
    plan = plan_of({"body": "a"}, at("a", "cube", 20.0, 20.0, 15.0))
    lifted = replace(BODIES[0], vertices_mm=BODIES[0].vertices_mm + np.array([0.0, 0.0, 0.5]))
    base = measured_with()
    assert judged(plan, base).measured == pytest.approx(3.0, abs=1e-4)
    assert judged(plan, replace(base, bodies=(lifted,))).measured == pytest.approx(3.5, abs=1e-4)


def test_a_part_that_touches_its_own_seat_is_told_so() -> None:
    level = {"mates": [SEAT | {"offset": 0}, *AXES[:2]]}
    found = judged(plan_of({"body": "a"}, {"name": "a", "body": "bracket", "place": level}))
    assert found.measured == pytest.approx(0.0, abs=1e-3)
    assert "sits on" in str(found.details["note"])

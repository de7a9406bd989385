from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from tests.support.formed import formed_scan, measured_piece, plan_of
from tests.support.ports import Shape, bend, measured_bores, mirrored, shifted, straight, throat
from tests.support.shapes import bored_block, perfect_alignment
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.records import Bools, Characteristic, Floats, Ints, Verdict

NOISE_MM = 0.02
SCANNER = {"scanner": {"expanded_uncertainty": 0.02}}
BORE, TURN = throat(15.0, 80.0, depth_mm=1.0), shifted(bend(30.0, 12.0), (20.0, 0.0, 0.0))
VALVE = {
    "diameter": 40,
    "stem_diameter": 7,
    "seat_width": 1.5,
    "seat_angle_degrees": 45,
    "throat_diameter": 35,
    "lifts": [2, 4, 30],
}


def judged(measured: Measured, **line: Any) -> Characteristic:
    names = [region.name for region in measured.regions]
    regions = [{"name": name, "faces": [index]} for index, name in enumerate(names)]
    return judge_plan(plan_of(line, regions=regions, **SCANNER), measured)[0]


def lower_side(points: Floats) -> Bools:
    seen: Bools = points[:, 2] < 60
    return seen


@lru_cache(maxsize=4)
def throated(depth_mm: float, *, is_cut_short: bool = False) -> Measured:
    """A bore whose throat should be 1 mm deep, and is as deep as said."""
    piece = throat(15.0, 80.0, depth_mm=depth_mm)
    return measured_bores({"port": BORE}, {"port": piece}, noise_mm=NOISE_MM, keep=lower_side if is_cut_short else None)


@lru_cache(maxsize=8)
def pair(shift_mm: tuple[float, float, float], *, growth_mm: float = 0.0) -> Measured:
    """Two bends, each the other's image in x; the first is displaced, and larger in radius."""
    first = shifted(bend(30.0, 12.0 + growth_mm), (20.0, 0.0, 0.0))
    return measured_bores(
        {"left": TURN, "right": mirrored(TURN)},
        {"left": shifted(first, shift_mm), "right": mirrored(TURN)},
        noise_mm=NOISE_MM,
    )


@pytest.mark.parametrize(
    ("depth_mm", "limits", "verdict"),
    [
        (1.0, {"least_mm2": 600}, Verdict.CONFORMS),
        (1.5, {"least_mm2": 600}, Verdict.DOES_NOT_CONFORM),
        (1.0, {"most_mm2": 600}, Verdict.DOES_NOT_CONFORM),
        (1.0, {"least_mm2": 616}, Verdict.NOT_PROVEN),
    ],
)
def test_least_area_is_that_of_the_throat(depth_mm: float, limits: dict[str, float], verdict: Verdict) -> None:
    found = judged(throated(depth_mm), kind="port_area", region="port", **limits)
    assert found.measured is not None
    assert found.U is not None
    assert abs(found.measured - np.pi * (15 - depth_mm) ** 2) < found.U
    assert found.U < 10
    assert (found.unit, found.verdict) == ("mm2", verdict)
    assert found.nominal == pytest.approx(np.pi * 14**2, rel=5e-3)
    assert found.point_mm is not None
    assert found.point_mm[2] == pytest.approx(40, abs=4)


def test_budget_names_every_source_and_scale_does_not_average() -> None:
    found = judged(throated(1.0), kind="port_area", region="port", least_mm2=600)
    assert set(found.budget) == {
        "scan noise",
        "outline not seen",
        "scanner",
        "facets of nominal",
        "file resolution",
        "temperature",
    }
    assert found.budget["scanner"] == pytest.approx(np.pi * 14 * 0.01, rel=0.01)  # half the perimeter, half of U
    assert found.budget["scan noise"] < NOISE_MM * 2 * np.pi * 14 / 4


def test_a_port_seen_in_part_may_fail_and_may_not_pass() -> None:
    measured = throated(1.5, is_cut_short=True)
    passing = judged(measured, kind="port_area", region="port", least_mm2=500)
    assert passing.verdict is Verdict.NOT_PROVEN
    assert passing.reason is not None
    assert "sections were not measured" in passing.reason
    failing = judged(measured, kind="port_area", region="port", least_mm2=650)
    assert failing.verdict is Verdict.DOES_NOT_CONFORM


def test_sections_nobody_saw_have_no_figure() -> None:
    found = judged(throated(1.5, is_cut_short=True), kind="port_area", region="port", least_mm2=500)
    table = found.exhibits.tables[0]
    areas = [row[2] for row in table.rows]
    assert any(area is None for area in areas)
    (plot,) = found.exhibits.plots
    shown = sum(len(curve.x) for curve in plot.curves if curve.name.startswith("piece"))
    assert shown == sum(area is not None for area in areas)


def one_side(points: Floats) -> Bools:
    """A strip along the bore."""
    seen: Bools = points[:, 0] > 10
    return seen


@pytest.mark.parametrize("kind", ["port_area", "port_volume"])
def test_a_port_hardly_seen_has_no_figure(kind: str) -> None:
    measured = measured_bores({"port": BORE}, {"port": BORE}, keep=one_side)
    found = judged(measured, kind=kind, region="port")
    assert (found.verdict, found.measured) == (Verdict.NOT_MEASURED, None)
    assert [curve.name for curve in found.exhibits.plots[0].curves] == ["nominal"]


def test_flow_is_called_an_estimate_and_states_its_convention() -> None:
    """146 cfm for a square inch at 28 inches of water (common practice), times the coefficient stated."""
    flow = {"pressure_inches_of_water": 28, "discharge_coefficient": 0.6}
    found = judged(throated(1.5), kind="port_area", region="port", flow=flow, valve=VALVE)
    caution = str(found.details["caution"])
    for word in ("estimate", "flow bench decides", "0.6", "28 inches", "upstream density"):
        assert word in caution
    table = next(table for table in found.exhibits.tables if "estimate" in table.title)
    low, _, high = table.rows
    assert low[1] == pytest.approx(np.pi * 2 * np.cos(np.pi / 4) * (40 - 3 * np.cos(np.pi / 4) + 1), rel=1e-6)
    assert (low[2], low[4], high[4]) == ("seat faces", "valve", "port")
    assert found.measured is not None
    assert high[5] == pytest.approx(0.6 * 145.87 * found.measured / 25.4**2, rel=1e-4)
    assert high[8] == pytest.approx(0.96242 * float(str(high[5])), rel=1e-4)


def test_without_a_coefficient_no_flow_is_told() -> None:
    found = judged(throated(1.5), kind="port_area", region="port", valve=VALVE)
    assert "caution" not in found.details
    assert not any(column.unit == "cfm" for table in found.exhibits.tables for column in table.columns)


def test_volume_is_that_of_the_piece() -> None:
    shape = {"port": straight(12.0, 60.0)}
    measured = measured_bores(shape, {"port": straight(12.2, 60.0)}, noise_mm=NOISE_MM)
    found = judged(measured, kind="port_volume", region="port", lower_mm3=27_500, upper_mm3=28_500)
    assert found.measured is not None
    assert found.U is not None
    assert abs(found.measured - np.pi * 12.2**2 * 60) < found.U < 200
    assert found.nominal == pytest.approx(np.pi * 144 * 60, rel=1e-4)
    assert found.details["volume_cc"] == pytest.approx(found.measured / 1000)
    assert (found.unit, found.verdict) == ("mm3", Verdict.CONFORMS)


@pytest.mark.parametrize("growth_mm", [0.0, 0.3])
def test_a_bore_measured_from_its_exact_cylinder_has_no_facets_to_answer_for(growth_mm: float) -> None:
    """48 facets of a bore of 15 mm would hide 2 mm2, and deviations from them would count that twice."""
    part = bored_block((60.0, 60.0, 40.0), 15.0)

    def grown(_points: Floats, normals: Floats, face: Ints) -> Floats:
        shift: Floats = -growth_mm * normals * (face == 6)[:, None]
        return shift

    plan = plan_of(regions=[{"name": "bore", "faces": [6]}])
    measured = measured_piece(part, formed_scan(part, grown, noise_mm=0.01, count=40_000), plan)
    line = plan_of({"kind": "port_area", "region": "bore"}, regions=[{"name": "bore", "faces": [6]}])
    found = judge_plan(line, measured)[0]
    assert found.nominal == pytest.approx(np.pi * 225, rel=1e-4)
    assert found.measured is not None
    assert found.U is not None
    assert found.U < 0.6
    assert abs(found.measured - np.pi * (15 + growth_mm) ** 2) < found.U
    assert found.budget["facets of nominal"] == 0.0


def test_volume_of_a_port_seen_in_part_is_not_proven() -> None:
    found = judged(throated(1.0, is_cut_short=True), kind="port_volume", region="port", lower_mm3=10_000)
    assert found.verdict is Verdict.NOT_PROVEN


@pytest.mark.parametrize("kind", ["port_area", "port_volume"])
def test_short_side_and_centreline_are_shown(kind: str) -> None:
    found = judged(pair((0.0, 0.0, 0.0)), kind=kind, region="left")
    assert "centreline of nominal" in [mark.label for mark in found.exhibits.marks]
    if kind == "port_area":
        table = next(table for table in found.exhibits.tables if "short side" in table.title)
        _, nominal, piece, U = (float(str(cell)) for cell in table.rows[0])
        assert nominal == pytest.approx(18.0, abs=0.02)
        assert abs(piece - 18.0) < U + 0.05


SIBLING = {"kind": "port_sibling", "region": "left", "sibling": "right", "mirror": "x", "point": [0, 0, 0]}


def test_siblings_alike_differ_by_nothing_they_can_show() -> None:
    found = judged(pair((0.0, 0.0, 0.0)), **SIBLING, most=0.3)
    assert found.measured is not None
    assert found.U is not None
    assert found.measured <= found.U
    assert found.verdict is Verdict.CONFORMS
    assert "sit alike" in str(found.details["reason"])


@pytest.mark.parametrize("shift", [(0.0, 0.0, 1.2), (0.0, 0.0, -1.2)])
def test_a_displaced_port_is_told_from_its_mirrored_sibling(shift: tuple[float, float, float]) -> None:
    found = judged(pair(shift), **SIBLING, most=0.3)
    assert found.measured is not None
    assert found.U is not None
    assert abs(found.measured - 1.2) < found.U + 0.02  # moved along z, square to the whole line
    assert found.verdict is Verdict.DOES_NOT_CONFORM
    way = "+z" if shift[2] > 0 else "-z"
    assert str(found.details["reason"]).startswith(
        f"left sits {found.measured:.2f} mm nearer {way} than its sibling right"
    )


def test_the_smaller_of_two_siblings_is_told() -> None:
    found = judged(pair((0.0, 0.0, 0.0), growth_mm=-0.4), **SIBLING, most=0.3)
    less = np.pi * (12**2 - 11.6**2)
    assert "smaller" in str(found.details["reason"])
    table = found.exhibits.tables[0]
    assert float(str(table.rows[-1][2])) == pytest.approx(-less, abs=float(str(table.rows[-1][3])))


def test_both_siblings_share_one_plot_of_areas_and_one_of_offsets() -> None:
    found = judged(pair((0.0, 0.0, 1.2)), **SIBLING, most=0.3)
    areas, offsets = found.exhibits.plots
    assert [curve.name for curve in areas.curves] == ["left", "right"]
    assert [float(curve.y.mean()) for curve in offsets.curves] == pytest.approx([1.2, 0.0], abs=0.05)


def pair_of(first: Shape, second: Shape) -> Measured:
    shapes = {"left": first, "right": second}
    return measured_bores(shapes, shapes)


def test_a_moved_copy_is_a_sibling_without_a_mirror() -> None:
    found = judged(
        pair_of(TURN, shifted(TURN, (0.0, 0.0, 60.0))), kind="port_sibling", region="left", sibling="right", most=0.3
    )
    assert found.details["translation_length_mm"] == pytest.approx((0.0, 0.0, -60.0), abs=0.01)
    assert found.verdict is Verdict.CONFORMS


@pytest.mark.parametrize(
    ("second", "rest", "reason"),
    [
        (shifted(straight(15.0, 90.0), (60.0, 0.0, 0.0)), {}, "80.0 and 90.0 mm long"),
        (shifted(straight(15.0, 80.0), (60.0, 0.0, 0.0)), {"mirror": "x", "point": [0, 0, 0]}, "mm off the first"),
    ],
)
def test_ports_that_are_no_siblings_in_the_cad_are_refused(second: Shape, rest: dict[str, Any], reason: str) -> None:
    measured = pair_of(straight(15.0, 80.0), second)
    with pytest.raises(PlanInvalid, match=reason):
        judged(measured, kind="port_sibling", region="left", sibling="right", most=0.3, **rest)


@pytest.mark.parametrize(
    ("mirror", "sigma_mm"), [({"mirror": "x", "point": [0, 0, 0]}, 0.1), ({"mirror": "none"}, 0.0)]
)
def test_the_pose_moves_mirrored_ports_apart_and_moved_ones_alike(mirror: dict[str, Any], sigma_mm: float) -> None:
    """A shift of the piece along x by 0.05 mm, off for one and off the other way for its image: twice that."""
    tube = shifted(straight(12.0, 60.0), (30.0, 0.0, 0.0))
    other = mirrored(tube) if mirror["mirror"] == "x" else shifted(tube, (50.0, 0.0, 0.0))
    displaced = {"left": shifted(tube, (0.8, 0.0, 0.0)), "right": other}
    measured = measured_bores({"left": tube, "right": other}, displaced, noise_mm=NOISE_MM)
    measured = replace(measured, alignment=perfect_alignment(sigma_mm=0.05))
    found = judged(measured, kind="port_sibling", region="left", sibling="right", most=0.3, **mirror)
    assert found.budget["alignment"] == pytest.approx(sigma_mm, abs=0.002)

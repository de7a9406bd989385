"""The scans hold exactly what the truth says: noise where nothing was planted, the faults where they were."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from demo.geometry import design as d
from demo.geometry.planted import (
    BOLT_OFF_PLACE,
    BOLT_SHIFT_MM,
    CASTING,
    DEEP_PORT,
    JACKET_SHIFT_MM,
    PRINT,
    ROD_SIZES_MM,
    rod_3_gap_mm,
)
from demo.geometry.scanning import roughness
from shared.plan_reading import parse_plan
from worker.records import Floats

PLANS = Path(__file__).parents[2] / "demo" / "plans"
Cloud = tuple[Floats, Floats]
Writer = Callable[[Path], None]


def heights_at(cloud: Cloud, z: float, facing: float) -> Floats:
    """How far the points that face along z lie above the plane at ``z``, (n,) mm."""
    points, normals = cloud
    return np.asarray((points[:, 2] - z)[(np.abs(points[:, 2] - z) < 1.0) & (facing * normals[:, 2] > 0.97)])


def bolt_axis_xy(cloud: Cloud, number: int) -> Floats:
    """Centre of the circle through the points of one bolt hole, by least squares."""
    points, normals = cloud
    nominal = np.array(d.BOLT_XY[number])
    off = points[:, :2] - nominal
    inward = np.einsum("ij,ij->i", off, normals[:, :2]) < 0
    wall = off[inward & (np.linalg.norm(off, axis=1) < 9.0) & (np.abs(normals[:, 2]) < 0.2)]

    def residuals(at: Floats) -> Floats:
        return np.asarray(np.linalg.norm(wall - at[:2], axis=1) - at[2])

    return np.asarray(least_squares(residuals, np.array([0.0, 0.0, d.BOLT_RADIUS])).x[:2])


@pytest.mark.parametrize("name", ["print", "casting"])
def test_scan_twice_gives_the_same_bytes(name: str, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    first: Path = request.getfixturevalue(f"{name}_file")
    writer: Writer = request.getfixturevalue(f"{name}_writer")
    writer(tmp_path / "second.ply")
    assert (tmp_path / "second.ply").read_bytes() == first.read_bytes()


@pytest.mark.parametrize(("z", "facing"), [(0.0, -1.0), (d.WELL_FLOOR_Z, 1.0)])
def test_print_with_the_truth_taken_back_is_noise(print_cloud: Cloud, z: float, facing: float) -> None:
    heights = heights_at(print_cloud, z, facing)
    heights = heights[np.abs(heights) < 0.2]  # stray points
    assert len(heights) > 1000
    assert np.median(heights) == pytest.approx(0.0, abs=4.0 * PRINT.noise_mm / len(heights) ** 0.5)
    assert heights.std() == pytest.approx(PRINT.noise_mm, rel=0.05)


@pytest.mark.parametrize(("z", "facing"), [(0.0, -1.0), (d.WELL_FLOOR_Z, 1.0)])
def test_casting_with_the_truth_taken_back_is_roughness_and_noise(
    casting_cloud: Cloud, z: float, facing: float
) -> None:
    heights = heights_at(casting_cloud, z, facing)
    spread = float(np.hypot(CASTING.noise_mm, CASTING.roughness_rms_mm))
    assert heights.mean() == pytest.approx(0.0, abs=0.01)  # roughness is correlated: some 500 independent patches
    assert heights.std() == pytest.approx(spread, rel=0.1)


def test_casting_shows_the_jacket_core_lower_by_what_was_planted(casting_cloud: Cloud) -> None:
    roof = heights_at(casting_cloud, d.JACKET_ROOF_Z, -1.0)
    assert len(roof) > 1000
    assert roof.mean() == pytest.approx(JACKET_SHIFT_MM[2], abs=0.01)


@pytest.mark.parametrize("number", d.BOLT_XY)
def test_only_one_bolt_hole_of_the_casting_is_out_of_place(casting_cloud: Cloud, number: int) -> None:
    expected = BOLT_SHIFT_MM if number == BOLT_OFF_PLACE else (0.0, 0.0)
    assert bolt_axis_xy(casting_cloud, number) == pytest.approx(expected, abs=0.03)


def test_deep_port_of_the_casting_was_seen_at_its_mouth_only(casting_cloud: Cloud) -> None:
    points, normals = casting_cloud
    port = next(port for port in d.PORTS if port.name == DEEP_PORT)
    seen_mm = CASTING.deep_port_seen_mm or 0.0
    off = points[:, [0, 2]] - [port.exit_x, port.exit_z]
    in_bore = (
        (np.linalg.norm(off, axis=1) < port.exit_radius + 0.5) & (points[:, 1] < -40.0) & (np.abs(normals[:, 1]) < 0.5)
    )
    assert in_bore.any()
    assert points[in_bore, 1].max() < -d.FLANGE_FACE_Y + seen_mm + 0.5


def test_print_hides_most_of_the_jacket(print_cloud: Cloud, casting_cloud: Cloud) -> None:
    seen = len(heights_at(print_cloud, d.JACKET_ROOF_Z, -1.0))
    assert seen < 0.1 * len(heights_at(casting_cloud, d.JACKET_ROOF_Z, -1.0))


def test_roughness_has_the_stated_size_and_length() -> None:
    along = np.arange(0.0, 2000.0, 0.5)
    line = np.column_stack([along, np.zeros_like(along), np.zeros_like(along)])
    height = roughness(line, 0.06, 1.5, np.random.default_rng(1))
    lag = 3  # 1.5 mm, one length: exp(-1/2)
    correlation = np.corrcoef(height[:-lag], height[lag:])[0, 1]
    assert height.std() == pytest.approx(0.06, rel=0.1)
    assert correlation == pytest.approx(np.exp(-0.5), abs=0.1)


@pytest.mark.parametrize("piece", ["print", "casting"])
def test_plan_names_every_bolt_hole_by_a_point_on_its_axis(piece: str) -> None:
    plan = parse_plan((PLANS / f"{piece}.yaml").read_bytes(), f"{piece}.yaml")
    holes = [line for line in plan.characteristics if line.kind == "position" and line.id.startswith("bolt_")]
    points = {line.id: line.feature.point for line in holes}
    assert points == {f"bolt_{number}": (x, y, 50.0) for number, (x, y) in d.BOLT_XY.items()}


def test_plan_sends_both_rods_through_hole_3_where_the_design_has_them() -> None:
    plan = parse_plan((PLANS / "casting.yaml").read_bytes(), "casting.yaml")
    rods = [line for line in plan.characteristics if line.kind == "rod_passage"]
    assert {(line.start, line.end) for line in rods} == {d.PUSH_ROD_3_ENDS}
    assert {line.preset for line in rods} == set(ROD_SIZES_MM)


def test_thinner_rod_passes_hole_3_of_the_casting_with_its_gap_and_the_thicker_touches() -> None:
    plan = parse_plan((PLANS / "casting.yaml").read_bytes(), "casting.yaml")
    least = {line.preset: line.least for line in plan.characteristics if line.kind == "rod_passage"}
    assert rod_3_gap_mm(ROD_SIZES_MM["9/16 in"]) > least["9/16 in"] + 0.2
    assert rod_3_gap_mm(ROD_SIZES_MM["5/8 in"]) < 0.0


def test_stated_gap_of_a_rod_is_that_of_its_axis_along_the_whole_hole() -> None:
    start, end = np.array(d.PUSH_ROD_3_ENDS)
    heights = np.linspace(0.0, d.WELL_FLOOR_Z, 1001)
    hole = CASTING.points_of_piece(np.column_stack([np.tile(d.PUSH_ROD_XY[2], (len(heights), 1)), heights]))
    share = (hole[:, 2] - start[2]) / (end[2] - start[2])
    off = np.linalg.norm(start + share[:, None] * (end - start) - hole, axis=1)
    assert rod_3_gap_mm(14.0) == pytest.approx(CASTING.size_ratio * d.PUSH_ROD_HOLE_RADIUS - off.max() - 7.0, abs=1e-9)

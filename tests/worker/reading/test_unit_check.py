"""Wrong units are caught whatever the pose; clutter, gaps and honest size differences raise no alarm."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from shared.errors import UnitMismatch
from tests.support.model_files import BOX_POINTS, BOX_TRIANGLES
from worker.reading import check_units
from worker.reading.parsed import Floats
from worker.records import Nominal, Scan

TURN = Rotation.from_rotvec((0.7, -1.1, 0.4)).as_matrix()


def nominal() -> Nominal:
    return Nominal(BOX_POINTS * 5.0, BOX_TRIANGLES, np.zeros(12, dtype=np.int64), (), None, None, None, True)


def surface_points(count: int = 20_000) -> Floats:
    """Points on the faces of the same box, 150 x 100 x 50 mm."""
    rng = np.random.default_rng(3)
    points = rng.random((count, 3))
    points[np.arange(count), rng.integers(0, 3, count)] = rng.integers(0, 2, count)
    return points * [150.0, 100.0, 50.0]


def with_table(points: Floats, side_mm: float = 600.0) -> Floats:
    table = (np.random.default_rng(4).random((len(points) // 2, 3)) - 0.5) * [side_mm, side_mm, 0.05]
    return np.vstack([points, table])


def with_clamps(points: Floats) -> Floats:
    clamp = np.random.default_rng(5).random((len(points) // 10, 3)) * [20.0, 20.0, 80.0]
    return np.vstack([points, clamp + np.array([160.0, 0, 0]), clamp + np.array([-40.0, 80.0, 0])])


def partial(points: Floats) -> Floats:
    return points[points[:, 0] < np.quantile(points[:, 0], 0.65)]


SCENES: dict[str, Callable[[], Floats]] = {
    "whole": surface_points,
    "35 % missing": lambda: partial(surface_points()),
    "on a table": lambda: with_table(surface_points()),
    "clamped": lambda: with_clamps(surface_points()),
    "all of it": lambda: with_table(with_clamps(partial(surface_points()))),
}


def as_scan(points: Floats) -> Scan:
    return Scan(points @ TURN.T + [40.0, -900.0, 3.0], None, None, None, 1e-5)


@pytest.mark.parametrize("scene", SCENES)
@pytest.mark.parametrize("factor", [1.0, 0.987, 1.3])
def test_the_right_unit_raises_no_alarm(scene: str, factor: float) -> None:
    check_units(nominal(), as_scan(SCENES[scene]() * factor))
    assert factor > 0


@pytest.mark.parametrize("scene", SCENES)
@pytest.mark.parametrize("ratio", [25.4, 1 / 25.4, 1000.0, 0.001])
def test_the_wrong_unit_is_named_with_its_ratio(scene: str, ratio: float) -> None:
    with pytest.raises(UnitMismatch, match="another unit") as caught:
        check_units(nominal(), as_scan(SCENES[scene]() * ratio))
    assert float(str(caught.value.data["ratio"])) == pytest.approx(ratio, rel=0.9)


def test_a_mesh_scan_is_compared_by_area_not_by_vertices() -> None:
    scan = Scan(BOX_POINTS * 5.0 / 25.4, None, BOX_TRIANGLES, None, 1e-5)
    with pytest.raises(UnitMismatch, match=r"25\.4"):
        check_units(nominal(), scan)


@pytest.mark.parametrize("side_mm", [1500.0, 4000.0])
def test_a_small_part_on_a_large_table_raises_no_alarm(side_mm: float) -> None:
    scan = as_scan(with_table(surface_points(), side_mm))
    check_units(nominal(), scan)
    assert np.ptp(scan.points_mm) > 8 * np.ptp(nominal().vertices_mm)

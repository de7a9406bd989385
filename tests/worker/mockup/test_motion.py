from __future__ import annotations

import numpy as np
import pytest

from tests.support.mock_ups import box, made
from worker.mockup.distances import Target, gap_between
from worker.mockup.meshes import Mesh
from worker.mockup.motion import Path, Sweep, SweepSettings, sweep

SETTINGS = SweepSettings()
TURN = Path(0.0, 2 * np.pi, np.array([0.0, 0.0, 1.0]), np.zeros(3))


def swept(body: Mesh, other: Mesh, path: Path, settings: SweepSettings = SETTINGS) -> Sweep:
    target = Target.all_of(other)
    reach = np.array([path.reach(body.vertices_mm)])
    return sweep(
        lambda at: [gap_between(body, target, path.at(at)).clearance_mm], (path.start, path.end), reach, settings
    )


def cam(radius_mm: float, eccentric_mm: float, segments: int = 2000) -> Mesh:
    """A disc of height 4 whose middle lies off the z axis."""
    turn = 2 * np.pi * np.arange(segments) / segments
    rim = radius_mm * np.column_stack([np.cos(turn), np.sin(turn)]) + [eccentric_mm, 0.0]
    vertices = np.concatenate(
        [np.column_stack([rim, np.full(segments, z)]) for z in (0.0, 4.0)]
        + [np.array([[eccentric_mm, 0.0, 0.0], [eccentric_mm, 0.0, 4.0]])]
    )
    own = np.arange(segments)
    then, up, low, high = np.roll(own, -1), own + segments, 2 * segments, 2 * segments + 1
    sides = [np.column_stack([own, then, then + segments]), np.column_stack([own, then + segments, up])]
    ends = [
        np.column_stack([np.full(segments, low), then, own]),
        np.column_stack([np.full(segments, high), up, then + segments]),
    ]
    return made(vertices, np.concatenate([*sides, *ends]))


def test_least_clearance_of_a_cam_from_a_plane_is_its_closed_form() -> None:
    """Plane at x = 15: clearance 15 - (8 cos a + 5), least 2 where the high place faces it."""
    found = swept(cam(5.0, 8.0), box((5.0, 80.0, 10.0), (15.0, -40.0, -3.0)), TURN)
    facet_mm = 5.0 * (1 - np.cos(np.pi / 2000))
    assert found.clearance_mm.min() == pytest.approx(2.0, abs=facet_mm + 1e-6)
    assert 2.0 - SETTINGS.tolerance_mm <= found.bound_mm <= 2.0
    exact = 15 - (8 * np.cos(found.positions) + 5)
    assert found.clearance_mm[:, 0] == pytest.approx(exact, abs=facet_mm + 1e-6)


def test_least_clearance_of_a_turning_box_is_that_of_its_corner() -> None:
    """The corner (12, 2) turns at radius hypot(12, 2); the plane stands at x = 15."""
    found = swept(box((24.0, 4.0, 4.0), (-12.0, -2.0, 0.0)), box((5.0, 80.0, 10.0), (15.0, -40.0, -3.0)), TURN)
    assert found.clearance_mm.min() == pytest.approx(15 - np.hypot(12.0, 2.0), abs=SETTINGS.tolerance_mm)
    least = found.clearance_mm.min()
    assert least - SETTINGS.tolerance_share * least <= found.bound_mm <= least


def test_contact_between_two_coarse_steps_is_caught() -> None:
    """A pin passes a thin post within 6 degrees of turn; steps of 30 degrees pass it by and see no less than 3 mm."""
    pin, post = box((1.0, 1.0, 4.0), (20.0, -0.5, 0.0)), box((1.0, 0.4, 10.0), _turned(20.5, 45.0))
    path = Path(0.0, np.pi / 2, np.array([0.0, 0.0, 1.0]), np.zeros(3))
    coarse = [gap_between(pin, Target.all_of(post), path.at(at)).clearance_mm for at in np.radians([0, 30, 60, 90])]
    assert min(coarse) > 3.0
    assert swept(pin, post, path).clearance_mm.min() < 0.0


def _turned(radius_mm: float, degrees: float) -> tuple[float, float, float]:
    turn = np.radians(degrees)
    return radius_mm * float(np.cos(turn)) - 0.5, radius_mm * float(np.sin(turn)) - 0.2, -2.0


@pytest.mark.parametrize("seed", range(6))
def test_no_position_comes_nearer_than_the_bound(seed: int) -> None:
    rng = np.random.default_rng(seed)
    body = box((24.0, 4.0, 3.0), (-12.0, -2.0, 0.0))
    other = box((5.0, 6.0, 9.0), (float(rng.uniform(12, 16)), float(rng.uniform(-9, 9)), float(rng.uniform(-3, 3))))
    found = swept(body, other, TURN)
    target = Target.all_of(other)
    tried = [gap_between(body, target, TURN.at(at)).clearance_mm for at in rng.uniform(0, 2 * np.pi, 300)]
    assert min(tried) >= found.bound_mm - 1e-9


def test_a_slide_ends_where_it_ends() -> None:
    path = Path(0.0, 7.5, np.array([1.0, 0.0, 0.0]), None)
    found = swept(box((2.0, 2.0, 2.0)), box((5.0, 20.0, 20.0), (10.0, -9.0, -9.0)), path)
    assert found.positions[[0, -1]] == pytest.approx([0.0, 7.5])
    assert found.clearance_mm[:, 0] == pytest.approx(8.0 - found.positions, abs=1e-6)
    assert found.least == (len(found.positions) - 1, 0)


def test_what_is_not_settled_in_time_has_a_lower_bound() -> None:
    """A disc turning about its own axis is as near everywhere: the search can only end by its limit."""
    few = SweepSettings(most_positions=20)
    found = swept(cam(5.0, 0.0), box((5.0, 80.0, 10.0), (15.0, -40.0, -3.0)), TURN, few)
    assert len(found.positions) == 20
    assert found.bound_mm < found.clearance_mm.min() - few.tolerance_mm

"""Elements fitted to points: against a slow referee, and by what must not change."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.support.elements import HALF_ANGLE_RAD, PLAIN, POSE, RADIUS_MM, fitted, near_start, on_element
from worker.fitting.fit import FitSettings, Start, fit_element, shape_of
from worker.fitting.records import Association, Element, ElementKind, NotFitted, Refusal
from worker.fitting.shapes import Shape, derivatives, distances, freedoms
from worker.records import Floats

NOISE_MM = 0.02
SAME_MM = 1e-7
Z = np.array([0.0, 0.0, 1.0])
every_kind = pytest.mark.parametrize("kind", list(ElementKind), ids=lambda kind: kind.value)


def scanned(kind: ElementKind, count: int = 400, seed: int = 3) -> Floats:
    rng = np.random.default_rng(seed)
    points = on_element(kind, count, rng)
    return POSE.apply(points + rng.normal(0, NOISE_MM, points.shape))


def difference_mm(first: Element, second: Element) -> float:
    """How far two elements lie apart over a reach of 20 mm."""
    apart = float(np.linalg.norm(first.place_at(second.point_mm) - second.point_mm))
    if first.direction is not None and second.direction is not None:
        apart += 20 * float(np.linalg.norm(np.cross(first.direction, second.direction)))
    if first.half_angle_rad is not None and second.half_angle_rad is not None:
        return apart + 20 * abs(first.half_angle_rad - second.half_angle_rad)
    return apart + abs((first.radius_mm or 0.0) - (second.radius_mm or 0.0))


@every_kind
def test_plain_fit_is_that_of_a_general_least_squares_solver(kind: ElementKind) -> None:
    """Referee: Levenberg-Marquardt of MINPACK with numerical derivatives."""
    points = scanned(kind)
    found = fitted(kind, points, near_start(kind, POSE), PLAIN)
    shape = shape_of(found).moved(np.array([0.01, -0.02, 0.01, 1e-3, -1e-3, 1e-3, 0.01, 0]))
    basis = freedoms(shape)

    def residuals(step: Floats) -> Floats:
        return distances(shape.moved(basis @ step), points.T).ravel()

    referee = least_squares(residuals, np.zeros(basis.shape[1]), method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    squares = float((distances(shape_of(found), points.T) ** 2).sum())
    assert squares == pytest.approx(2 * referee.cost, rel=1e-10)
    best = shape.moved(basis @ referee.x).placed_near(found.point_mm)
    assert best.point == pytest.approx(found.point_mm, abs=1e-5)


@every_kind
def test_fit_without_a_start_finds_what_one_with_a_start_finds(kind: ElementKind) -> None:
    points = scanned(kind)
    told, untold = fitted(kind, points, near_start(kind, POSE), PLAIN), fitted(kind, points, None, PLAIN)
    assert difference_mm(told, untold) < SAME_MM


@every_kind
def test_order_of_points_does_not_matter(kind: ElementKind) -> None:
    points = scanned(kind)
    shuffled = points[np.random.default_rng(0).permutation(len(points))]
    start = near_start(kind, POSE)
    assert difference_mm(fitted(kind, points, start), fitted(kind, shuffled, start)) < SAME_MM


@every_kind
def test_fit_moves_with_its_points(kind: ElementKind) -> None:
    points = scanned(kind)
    here = fitted(kind, points, near_start(kind, POSE), PLAIN)
    back = POSE.inverse()
    there = fitted(kind, back.apply(points), near_start(kind), PLAIN)
    moved = Start(back.apply(here.point_mm), None if here.direction is None else back.turn(here.direction))
    assert there.place_at(moved.point_mm) == pytest.approx(moved.point_mm, abs=SAME_MM)
    assert there.radius_mm == pytest.approx(here.radius_mm, abs=1e-5)  # a cone's at its own point


@every_kind
def test_points_are_not_modified_and_the_same_points_give_the_same_bits(kind: ElementKind) -> None:
    points = scanned(kind)
    points.setflags(write=False)
    first, second = (fitted(kind, points, near_start(kind, POSE)) for _ in range(2))
    assert first.point_mm.tobytes() == second.point_mm.tobytes()
    assert first.covariance.tobytes() == second.covariance.tobytes()


@pytest.mark.parametrize("start", ["told", "untold"])
@every_kind
def test_flash_on_a_fifth_of_the_points_does_not_move_the_fit(kind: ElementKind, start: str) -> None:
    points = scanned(kind, 1000)
    clean = fitted(kind, points[200:], near_start(kind, POSE))
    flash = points.copy()
    flash[:200] += np.random.default_rng(1).uniform(0.3, 1.5, (200, 3))
    found = fitted(kind, flash, near_start(kind, POSE) if start == "told" else None)
    assert difference_mm(found, clean) < 0.006  # a third of the noise; plain least squares moves by 0.1 and more
    assert np.count_nonzero(found.weight[:200] == 0) > 150


def test_a_dense_patch_does_not_outvote_a_thin_one() -> None:
    """A plate bent at the middle, one half scanned twenty times as densely."""
    rng = np.random.default_rng(5)
    along = np.concatenate([rng.uniform(-20, 0, 4000), rng.uniform(0, 20, 200)])
    across = rng.uniform(-10, 10, along.size)
    points = np.column_stack([along, across, 0.01 * np.abs(along)])
    even = fitted(ElementKind.PLANE, points, Start(np.zeros(3), Z))
    uneven = fitted(ElementKind.PLANE, points, Start(np.zeros(3), Z), FitSettings(is_evened=False))
    assert even.direction is not None
    assert uneven.direction is not None
    assert abs(even.direction[0]) < 0.4 * abs(uneven.direction[0])


def test_direction_can_be_held() -> None:
    points = scanned(ElementKind.PLANE)
    told = POSE.turn(np.array([0.01, 0.0, 1.0]) / np.hypot(0.01, 1.0))
    found = fitted(
        ElementKind.PLANE, points, Start(POSE.apply(np.zeros(3)), told), FitSettings(is_direction_fixed=True)
    )
    assert found.direction == pytest.approx(told, abs=1e-15)
    assert not found.covariance[3:6, 3:6].any()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_direction_points_the_way_of_the_start(sign: float) -> None:
    found = fitted(
        ElementKind.CYLINDER, scanned(ElementKind.CYLINDER), Start(POSE.apply(np.zeros(3)), sign * POSE.turn(Z))
    )
    assert found.direction is not None
    assert float(found.direction @ POSE.turn(Z)) * sign > 0.999


def test_plane_without_a_start_faces_the_way_of_its_normals() -> None:
    points = on_element(ElementKind.PLANE, 200, np.random.default_rng(0))
    found = fit_element(ElementKind.PLANE, points, normals_out=np.tile(-Z, (200, 1)))
    assert isinstance(found, Element)
    assert found.direction == pytest.approx(-Z, abs=1e-9)


FACING = [
    pytest.param(ElementKind.PLANE, False, -1.0, True, id="plane from behind"),
    pytest.param(ElementKind.PLANE, False, 1.0, False, id="plane"),
    pytest.param(ElementKind.CYLINDER, True, 1.0, True, id="bore with a boss's normals"),
    pytest.param(ElementKind.CYLINDER, True, -1.0, False, id="bore"),
]


@pytest.mark.parametrize(("kind", "is_internal", "sign", "is_refused"), FACING)
def test_flipped_normals_are_refused(kind: ElementKind, is_internal: bool, sign: float, is_refused: bool) -> None:
    points = on_element(kind, 300, np.random.default_rng(0))
    outward = np.tile(Z, (300, 1)) if kind is ElementKind.PLANE else points * [1, 1, 0] / RADIUS_MM
    start = Start(np.zeros(3), Z, None if kind is ElementKind.PLANE else RADIUS_MM, is_internal=is_internal)
    found = fit_element(kind, points, normals_out=sign * outward, start=start)
    assert (isinstance(found, NotFitted) and found.code is Refusal.FACES_WRONG_WAY) == is_refused


def test_record_says_what_was_seen() -> None:
    rng = np.random.default_rng(2)
    points = on_element(ElementKind.CYLINDER, 3000, rng, arc_rad=np.radians(200))
    found = fitted(
        ElementKind.CYLINDER, points + rng.normal(0, NOISE_MM, points.shape), near_start(ElementKind.CYLINDER)
    )
    assert found.association is Association.LEAST_SQUARES
    assert np.degrees(found.arc_rad) == pytest.approx(200, abs=2)
    assert found.length_mm == pytest.approx(20, abs=0.2)
    assert found.sigma_mm == pytest.approx(NOISE_MM, rel=0.05)
    assert found.weight.shape == found.residual_mm.shape == (3000,)
    assert np.linalg.norm(found.point_mm - points.mean(axis=0) * [0, 0, 1]) < 0.05


@pytest.mark.parametrize("dtype", [np.int64, np.float32])
def test_other_number_types_are_taken(dtype: type) -> None:
    grid: Floats = np.stack(np.meshgrid([0, 10, 20], [0, 10, 20], [7]), axis=-1).reshape(-1, 3).astype(dtype)
    found = fitted(ElementKind.PLANE, grid, None)
    assert found.point_mm == pytest.approx([10, 10, 7], abs=1e-9)


@pytest.mark.parametrize("kind", [kind for kind in ElementKind if kind is not ElementKind.LINE], ids=str)
def test_derivatives_are_those_of_the_distances(kind: ElementKind) -> None:
    shape = Shape(kind, np.array([0.1, -0.2, 0.3]), Z, RADIUS_MM, HALF_ANGLE_RAD if kind is ElementKind.CONE else 0.0)
    columns = (on_element(kind, 50, np.random.default_rng(1)) + 0.05).T
    rows, _ = derivatives(shape, columns)
    small = 1e-6
    for column in freedoms(shape).T:
        ahead, behind = (distances(shape.moved(sign * small * column), columns) for sign in (1, -1))
        slope = (ahead - behind) / (2 * small)
        assert np.einsum("ckn,k->cn", rows, column) == pytest.approx(slope, abs=1e-7)

from __future__ import annotations

import numpy as np
import pytest

from shared.plan import Distance
from worker.features.records import Feature, FeatureKind
from worker.judging.distances import angle_between, distance_between, measured_angle, measured_length
from worker.judging.moved import Moved, nominal_moved
from worker.records import Floats

NOTHING = np.array([], dtype=np.int64)


def feature(kind: FeatureKind, point: tuple[float, ...], direction: tuple[float, ...] | None = None) -> Feature:
    unit = None if direction is None else np.array(direction) / np.linalg.norm(direction)
    place = np.array(point, dtype=np.float64)
    return Feature(
        id=f"{kind.value}-1",
        kind=kind,
        triangles=NOTHING,
        faces=NOTHING,
        name=None,
        point_mm=place,
        direction=unit,
        radius_mm=2.0,
    )


def hole(point: tuple[float, ...], direction: tuple[float, ...] = (0, 0, 1)) -> Feature:
    return feature(FeatureKind.HOLE, point, direction)


def plane(point: tuple[float, ...], direction: tuple[float, ...] = (0, 0, 1)) -> Feature:
    return feature(FeatureKind.PLANE, point, direction)


def ball(point: tuple[float, ...]) -> Feature:
    return feature(FeatureKind.SPHERE, point)


@pytest.mark.parametrize(
    ("first", "second", "distance_mm"),
    [
        (plane((0, 0, 0)), plane((5, 7, 12)), 12.0),
        (plane((0, 0, 0)), plane((5, 7, 12), (0, 0, -1)), 12.0),  # both faces of a plate
        (hole((0, 0, 0)), hole((3, 4, 50)), 5.0),
        (hole((0, 0, 0)), hole((3, 4, 50), (0, 0, -1)), 5.0),
        (hole((0, 0, 0)), hole((7, 4, 0), (0, 1, 0)), 7.0),  # skew axes where they pass
        (plane((0, 0, 3)), hole((9, 9, 10), (1, 0, 0)), 7.0),
        (ball((1, 2, 3)), ball((4, 6, 15)), 13.0),
        (ball((3, 4, 9)), hole((0, 0, 0)), 5.0),
        (ball((3, 4, 9)), plane((0, 0, 1)), 8.0),
    ],
)
def test_distance_between_features(first: Feature, second: Feature, distance_mm: float) -> None:
    both = (nominal_moved(first), nominal_moved(second))
    assert distance_between((first, second), both)[0] == pytest.approx(distance_mm)
    assert distance_between((second, first), both[::-1])[0] == pytest.approx(distance_mm)


def _tilted(point: tuple[float, ...], tilt: float) -> Moved:
    direction = np.array([[np.sin(tilt), 0.0, np.cos(tilt)]])
    return Moved(np.array([point]), direction, np.array([2.0]), np.array([np.nan]))


def test_axes_that_lean_are_measured_midway_between_their_places() -> None:
    """Places at heights 0 and 20; the second leans by 0.01 rad, so midway it stands 0.1 mm nearer."""
    features = (hole((0, 0, 0)), hole((10, 0, 20)))
    elements = (_tilted((0, 0, 0), 0.0), _tilted((10.0, 0.0, 20.0), 0.01))
    assert distance_between(features, elements)[0] == pytest.approx(10.0 - 0.1, abs=1e-3)


@pytest.mark.parametrize(
    ("direction", "second", "value"),
    [("x", (-3, 4, 50), 3.0), ("y", (3, 4, 50), 4.0), ("y", (3, -4, 50), 4.0)],
)
def test_component_of_a_distance_is_positive_at_nominal(
    direction: str, second: tuple[float, ...], value: float
) -> None:
    line = Distance.model_validate(
        {"id": "d", "kind": "distance", "first": "a", "second": "b", "direction": direction, "lower_deviation": 0}
    )
    features = (hole((0, 0, 0)), hole(second))
    elements = [nominal_moved(item) for item in features]
    assert measured_length(line, features, elements)[0] == pytest.approx(value)


def test_coordinate_of_one_feature_has_its_sign() -> None:
    line = Distance.model_validate(
        {"id": "d", "kind": "distance", "first": "a", "direction": "x", "lower_deviation": 0}
    )
    item = hole((-3, 4, 50))
    assert measured_length(line, (item,), [nominal_moved(item)])[0] == pytest.approx(-3.0)


@pytest.mark.parametrize("degrees", [0.0, 1e-6, 30.0, 90.0, 179.999999, 180.0])
def test_angles_keep_their_digits_near_nothing_and_near_straight(degrees: float) -> None:
    """The arccosine of a product would lose 8 digits there."""
    angle = np.radians(degrees)
    second = np.array([[np.cos(angle), np.sin(angle), 0.0]])
    assert angle_between(np.array([[1.0, 0.0, 0.0]]), second)[0] == pytest.approx(degrees, abs=1e-12)


def test_angle_of_one_cone_is_its_full_angle() -> None:
    nothing: Floats = np.zeros((1, 3))
    cone = Moved(nothing, np.array([[0.0, 0.0, 1.0]]), np.array([4.0]), np.array([np.radians(45.0)]))
    assert measured_angle([cone])[0] == pytest.approx(90.0)

"""Guessed datums: outer planes before inner ones, deep holes before shallow ones, nothing where nothing suits."""

from __future__ import annotations

import math
from typing import Any

import pytest

from shared.drafting.datums import axis_gap_mm, guess_datums, is_outer
from shared.feature_list import FeatureRecord
from tests.support.feature_lists import BOTTOM, BOX, FRONT, LEFT, TOP, hole, listed, plane, plate, round_feature, sphere


def guessed(*features: FeatureRecord) -> list[tuple[str, str]]:
    return [(datum.letter, datum.feature.id) for datum in guess_datums(listed(*features))]


def test_a_plate_is_held_by_its_face_its_bore_and_a_far_hole() -> None:
    datums = guess_datums(plate())
    assert [(datum.letter, datum.feature.id) for datum in datums] == [
        ("A", "plane-1"),
        ("B", "hole-1"),
        ("C", "hole-2"),
    ]


def test_a_box_is_held_by_three_planes() -> None:
    assert guessed(*BOX) == [("A", "plane-1"), ("B", "plane-3"), ("C", "plane-4")]


def test_one_hole_is_backed_by_a_plane() -> None:
    assert guessed(*BOX, hole(1, (50, 30))) == [("A", "plane-1"), ("B", "hole-1"), ("C", "plane-3")]


def test_an_outer_plane_is_taken_before_a_larger_inner_one() -> None:
    floor = plane(9, (0, 0, 1), (0, 0, 5), (100, 60, 5), area_mm2=2 * BOTTOM.area_mm2)
    assert not is_outer(floor, listed(floor))
    assert guessed(floor, *BOX)[0] == ("A", "plane-1")


def test_an_inner_plane_is_taken_where_outer_ones_are_tiny() -> None:
    floor = plane(9, (0, 0, 1), (0, 0, 5), (100, 60, 5))
    rim = plane(8, (0, 0, 1), (0, 0, 20), (3, 3, 20))
    assert guessed(floor, rim)[0] == ("A", "plane-9")


def test_a_deep_hole_is_taken_before_a_wide_recess() -> None:
    recess = hole(1, (50, 30), 20.0, depth_mm=3.0, ends_mm=((50, 30, 0), (50, 30, 3)))
    assert guessed(*BOX, recess, hole(2, (20, 30)))[1] == ("B", "hole-2")


def test_a_hole_that_opens_at_a_is_taken_before_a_larger_one_that_does_not() -> None:
    inside = hole(1, (50, 30), 8.0, depth_mm=8.5, ends_mm=((50, 30, 5), (50, 30, 13.5)))
    assert guessed(*BOX, inside, hole(2, (20, 30)))[1] == ("B", "hole-2")


@pytest.mark.parametrize("wrong", [{"direction": (1.0, 0.0, 0.0)}, {"arc_rad": math.pi}])
def test_a_hole_at_an_angle_or_cut_open_is_no_datum(wrong: dict[str, Any]) -> None:
    assert ("B", "hole-1") not in guessed(*BOX, hole(1, (50, 30), **wrong))


def test_two_holes_side_by_side_do_not_hold_the_turn() -> None:
    assert guessed(*BOX, hole(1, (50, 30)), hole(2, (50, 39)))[2] == ("C", "plane-3")


SHAFT = round_feature("boss", 1, (10, 10), 10.0)
END = plane(1, (0, 0, -1), (0, 0, 0), (20, 20, 0), area_mm2=314.0)


def test_a_shaft_is_held_by_its_axis_and_an_end() -> None:
    long = guess_datums(listed(SHAFT, END, size_mm=(20.0, 20.0, 80.0)))
    assert [(datum.letter, datum.feature.id) for datum in long] == [("A", "boss-1"), ("B", "plane-1")]


@pytest.mark.parametrize("size_mm", [(20.0, 20.0, 15.0), (60.0, 20.0, 80.0)])
def test_a_disc_or_a_part_with_a_boss_is_no_shaft(size_mm: tuple[float, float, float]) -> None:
    assert guess_datums(listed(SHAFT, END, size_mm=size_mm))[0].feature.id == "plane-1"


def test_a_round_part_has_its_longest_axis() -> None:
    assert guessed(round_feature("boss", 1, (0, 0), 5.0), sphere(1)) == [("A", "boss-1")]


@pytest.mark.parametrize(
    ("features", "letters"),
    [((), ""), ((sphere(1),), ""), ((BOTTOM,), "A"), ((BOTTOM, TOP), "A"), ((BOTTOM, FRONT), "AB")],
)
def test_there_are_as_many_datums_as_the_features_allow(features: tuple[FeatureRecord, ...], letters: str) -> None:
    assert "".join(letter for letter, _ in guessed(*features)) == letters


def test_equals_are_told_apart_by_their_number() -> None:
    one, two = hole(1, (10, 30)), hole(2, (90, 30), area_mm2=503.0)
    assert guessed(BOTTOM, one, two) == guessed(BOTTOM, one, two)
    assert guessed(BOTTOM, LEFT, one, two)[1] == ("B", "hole-1")


def test_the_gap_of_two_axes_is_across_them() -> None:
    high = hole(2, (53, 34), point_mm=(53, 34, 500))
    assert axis_gap_mm(high, hole(1, (50, 30))) == pytest.approx(5)

"""What a plan refuses, kind by kind."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from shared.plan import Plan
from shared.plan.characteristics import KINDS

HOLE: dict[str, Any] = {"feature": "hole-1"}
SIZED: dict[str, Any] = HOLE | {"lower_deviation": 0, "upper_deviation": 0.2}
POSITION: dict[str, Any] = {"kind": "position", "zone_diameter": 0.3}
AXIS_DISTANCE: dict[str, Any] = {"kind": "distance", "first": "hole-1", "direction": "x"}


def message_of(**plan: Any) -> str:
    with pytest.raises(ValidationError) as caught:
        Plan.model_validate({"firstpour_plan": "1", **plan})
    return str(caught.value)


LINES: list[tuple[dict[str, Any], str]] = [
    ({"kind": "size", **SIZED, "fit": "H8"}, "only one of them"),
    ({"kind": "size", **HOLE, "fit": "H8", "general": "ISO 2768-m"}, "only one of them"),
    ({"kind": "size", **SIZED, "general": "ISO 2768-m"}, "not both"),
    ({"kind": "size", **SIZED, "lower_deviation": 0.2}, "must lie below"),
    ({"kind": "size", **HOLE, "general": "ISO 8062-3 DCTG 17"}, "general"),
    ({"kind": "size", **HOLE, "fit": "H"}, "fit"),
    ({"kind": "distance", "first": "hole-1"}, "a second feature, or a direction"),
    ({**AXIS_DISTANCE, "direction": "up"}, "'x', 'y' or 'z'"),
    ({"kind": "angle", "first": "plane-1", "lower_degrees": 91, "upper_degrees": 89}, "must lie below"),
    ({"kind": "angle", "first": "plane-1", "lower_degrees": 1, "general": "ISO 2768-m"}, "not both"),
    ({"kind": "angle", "first": "plane-1", "lower_degrees": -0.5}, "greater than or equal to 0"),
    ({"kind": "angle", "first": "plane-1", "general": "ISO 286 IT14"}, "general"),
    ({"kind": "flatness", **HOLE, "zone": 0}, "greater than 0"),
    ({"kind": "straightness", **HOLE, "zone": 1, "of": "edge"}, "'axis' or 'lines'"),
    ({"kind": "parallelism", **HOLE, "zone": 1}, "datum"),
    ({**POSITION, **HOLE, "condition": "mmc"}, "belong to mmc and lmc"),
    ({**POSITION, **SIZED}, "belong to mmc and lmc"),
    ({**POSITION, **SIZED, "condition": "mmc", "fit": "H8"}, "or a fit"),
    ({**POSITION, **HOLE, "condition": "lmc", "lower_deviation": 0}, "both deviations"),
    ({**POSITION, **SIZED, "condition": "lmc", "lower_deviation": 1}, "must lie below"),
    ({"kind": "surface_profile", "zone": 0.2, "outside": 0.3}, "cannot exceed zone"),
    ({"kind": "line_profile", "zone": 0.2, "point": [0, 0, 0], "normal": [0, 0, 0]}, "no direction"),
    ({"kind": "line_profile", "zone": 0.2, "outside": 1, "point": [0, 0, 0], "normal": [0, 0, 1]}, "cannot exceed"),
    ({"kind": "wall_thickness"}, "exactly one of least and grade"),
    ({"kind": "wall_thickness", "grade": 16}, "less than or equal to 15"),
    ({"kind": "machining_allowance", "required": 2}, "exactly one of feature and region"),
    ({"kind": "machining_allowance", **HOLE}, "exactly one of required and grade"),
    ({"kind": "machining_allowance", **HOLE, "grade": "I"}, "grade"),
    ({"kind": "flatness", "feature": {"id": "a", "face": 1}, "zone": 1}, "exactly one of id, face, face_name, point"),
    ({"kind": "flatness", "feature": {}, "zone": 1}, "exactly one of id, face, face_name, point"),
    ({"kind": "flatness", **HOLE, "zone": 1, "tolerance": 2}, "Extra inputs"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "words"), LINES)
def test_a_line_that_contradicts_itself_is_refused(line: dict[str, Any], words: str) -> None:
    assert words in message_of(characteristics=[{"id": "C1", **line}])


PARTS: list[tuple[dict[str, Any], str]] = [
    ({"datums": [{"letter": "A"}]}, "exactly one of feature, width, targets"),
    ({"datums": [{"letter": "A", "feature": "plane-1", "width": ["a", "b"]}]}, "exactly one of feature, width"),
    ({"datums": [{"letter": "1", "feature": "plane-1"}]}, "letter"),
    ({"alignment": {"method": "frame"}}, "frame belongs to method frame"),
    ({"alignment": {"method": "best_fit", "regions": ["a"]}}, "regions belongs to method regions"),
    ({"alignment": {"method": "frame", "frame": "main"}}, "frame 'main' is not among"),
    ({"alignment": {"method": "regions", "regions": ["deck"]}}, "region 'deck' is not among"),
    ({"frames": [{"name": "main", "datums": []}]}, "at least 1 item"),
    ({"frames": [{"name": "main", "datums": ["A"]}]}, "datum 'A' is not among"),
    ({"frames": [{"name": "m", "datums": ["A"]}, {"name": "m", "datums": ["A"]}]}, "m is given twice among the frames"),
    ({"substitution": [{"id": "C1", "bias": 0, "expanded_uncertainty": 1}]}, "characteristic 'C1' is not among"),
    ({"temperature": {"celsius": 25}}, "exactly one of material and expansion"),
    ({"uncertainty": {"method": "monte_carlo", "draws": 10}}, "greater than or equal to 1000"),
    ({"regions": [{"name": "r"}]}, "exactly one of core, faces"),
    ({"regions": [{"name": "r", "box": {"minimum": [0, 0, 0], "maximum": [1, 0, 1]}}]}, "below its maximum"),
    ({"regions": [{"name": "r", "tube": {"start": [0, 0, 0], "end": [0, 0, 0], "radius": 1}}]}, "same point"),
]


@pytest.mark.parametrize(("part", "words"), PARTS)
def test_a_part_that_contradicts_itself_is_refused(part: dict[str, Any], words: str) -> None:
    assert words in message_of(**part)


def test_a_datum_twice_in_one_frame_is_refused() -> None:
    datums = [{"letter": "A", "feature": "plane-1"}]
    assert "names a datum twice" in message_of(datums=datums, frames=[{"name": "m", "datums": ["A", "A"]}])


def test_all_names_that_are_missing_are_told_at_once() -> None:
    line = {"kind": "position", "feature": "hole-1", "zone_diameter": 1}
    text = message_of(characteristics=[{"id": "a", "frame": "x", **line}, {"id": "a", "frame": "y", **line}])
    assert all(words in text for words in ("frame 'x'", "frame 'y'", "a is given twice"))


def test_every_kind_is_known_by_name() -> None:
    assert len(KINDS) == len(set(KINDS)) == 34

"""A starting plan is a plan: it reads, it is complete, it says what it is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.drafting import DraftChoices, draft_plan
from shared.errors import RequestInvalid
from shared.feature_list import FeatureList
from shared.plan import PieceKind, Plan
from shared.plan_reading import parse_plan
from shared.units import LengthUnit
from tests.support.feature_lists import BOTTOM, cone, hole, listed, pattern, plane, plate

CLASSES = [f"ISO 2768-{letter}" for letter in "fmcv"]
CLASSES += [f"ISO 8062-3 DCTG {grade}" for grade in (1, 9, 13, 16)] + [f"ISO 286 IT{grade}" for grade in (1, 14, 18)]


def drafted(features: FeatureList | None = None, **choices: object) -> Plan:
    return parse_plan(draft_plan(features or plate(), DraftChoices(**choices)), "draft")  # type: ignore[arg-type]


def lines(plan: Plan) -> dict[str, dict[str, object]]:
    return {line.id: line.model_dump(exclude_none=True, exclude_defaults=True) for line in plan.characteristics}


@pytest.mark.parametrize("general", CLASSES)
@pytest.mark.parametrize("unit", [LengthUnit.MILLIMETRE, LengthUnit.INCH, LengthUnit.METRE])
@pytest.mark.parametrize("kind", list(PieceKind))
def test_a_draft_is_a_plan(general: str, unit: LengthUnit, kind: PieceKind) -> None:
    plan = drafted(general=general, unit=unit, kind=kind)
    assert (plan.unit, plan.piece.kind, plan.general_tolerance) == (unit, kind, general)


def test_every_hole_boss_slot_and_ball_has_its_size() -> None:
    sized = {line_id for line_id, line in lines(drafted()).items() if line["kind"] == "size"}
    assert sized == {f"{name}.size" for name in ("hole-1", "hole-2", "hole-3", "boss-1", "slot-1", "sphere-1")}


def test_every_hole_but_the_datum_has_its_place_in_the_frame() -> None:
    placed = {line_id: line for line_id, line in lines(drafted()).items() if line["kind"] == "position"}
    assert set(placed) == {f"{name}.position" for name in ("hole-2", "hole-3", "boss-1", "slot-1")}
    assert all(line["frame"] == "ABC" for line in placed.values())


def test_a_zone_is_twice_the_deviation_at_the_distance_from_the_datums() -> None:
    # hole-3 lies 80 mm from datum C, hole-2: ISO 2768-m gives 0.3 mm from 30 to 120 mm
    assert lines(drafted())["hole-3.position"]["zone_diameter"] == 0.6
    # and hole-2 40 mm from datum B, 0.3 mm too; in inches to four digits
    assert lines(drafted(unit=LengthUnit.INCH))["hole-2.position"]["zone_diameter"] == pytest.approx(0.02362)


def test_the_profile_of_the_whole_is_the_band_at_the_largest_dimension() -> None:
    assert lines(drafted())["profile"]["zone"] == 0.6  # 100 mm: 0.3 mm to each side
    assert lines(drafted(general="ISO 8062-3 DCTG 10"))["profile"]["zone"] == 3.2  # 63 to 100 mm: 3.2 mm


def test_a_casting_grade_judges_walls_and_another_class_gives_a_least_wall() -> None:
    assert lines(drafted(general="ISO 8062-3 DCTG 10"))["wall"]["grade"] == 10
    assert lines(drafted())["wall"]["least"] == 3
    assert lines(drafted(unit=LengthUnit.INCH))["wall"]["least"] == 0.1181
    assert "wall" not in lines(drafted(kind=PieceKind.PRINT))


def test_large_planes_have_a_flatness_and_small_ones_do_not() -> None:
    small = plane(9, (0, 0, 1), (0, 0, 20), (10, 10, 20))
    found = lines(drafted(listed(BOTTOM, small)))
    assert found["plane-1.flatness"]["zone"] == 0.3
    assert "plane-9.flatness" not in found


def test_holes_in_a_line_have_their_pitches() -> None:
    found = lines(drafted())
    pitches = [line_id for line_id in found if ".to.hole" in line_id]
    assert pitches == ["hole-3.to.hole-1", "hole-1.to.hole-2"]


def test_opposite_outer_faces_have_their_distance() -> None:
    assert [line_id for line_id in lines(drafted()) if line_id.startswith("plane-1.to")] == ["plane-1.to.plane-2"]


def test_what_a_table_does_not_reach_is_said_and_left_out() -> None:
    tiny = listed(BOTTOM, hole(1, (50, 30), 0.2), hole(2, (80, 30), 4.0))
    text = draft_plan(tiny, DraftChoices())
    assert "no size: ISO 2768-m has no value for it" in text
    assert "hole-1.size" not in lines(parse_plan(text, "draft"))


def test_a_part_without_features_still_gives_a_plan() -> None:
    text = draft_plan(listed())
    assert "Nothing was found that could be a datum" in text
    assert set(lines(parse_plan(text, "draft"))) == {"profile", "wall"}


def test_what_is_found_and_not_drafted_is_told() -> None:
    assert "# cone-1: 90 degrees, 20 deep, axis z, at x 30, y 30, z 10" in draft_plan(listed(BOTTOM, cone(1)))


def test_each_feature_says_where_it_is_in_the_unit_asked() -> None:
    assert "# hole-2 'dowel': diameter 8, through, 20 deep, axis z, at x 10, y 30, z 10" in draft_plan(plate())
    inch = draft_plan(plate(), DraftChoices(unit=LengthUnit.INCH))
    assert "# hole-2 'dowel': diameter 0.315, through, 0.7874 deep, axis z, at x 0.3937, y 1.1811, z 0.3937" in inch


def test_a_long_pattern_is_wrapped() -> None:
    names = tuple(f"hole-{number}" for number in range(100))
    text = draft_plan(listed(BOTTOM, pattern(1, names, "circle", radius_mm=40.0)))
    assert max(map(len, text.splitlines())) < 130
    assert "# pattern-1: 100 equal holes on a circle of diameter 80" in text


def test_it_says_that_it_is_a_guess() -> None:
    text = draft_plan(plate())
    assert "Everything here is a guess from the CAD alone" in text
    assert "indicated" in draft_plan(plate(), DraftChoices(general="ISO 8062-3 DCTG 10"))


@pytest.mark.parametrize("general", ["ISO 2768", "ISO 2768-mK", "DCTG 9", "", "ISO 2768-m\nx: 1"])
def test_a_class_that_is_none_is_refused_with_those_that_are(general: str) -> None:
    with pytest.raises(RequestInvalid) as caught:
        draft_plan(plate(), DraftChoices(general=general))
    assert "ISO 8062-3 DCTG" in caught.value.advice


@given(st.text(max_size=200), st.text(max_size=200))
def test_no_name_in_a_file_can_break_the_plan(file: str, name: str) -> None:
    named = listed(BOTTOM, hole(1, (50, 30)), hole(2, (90, 30), name=name), file=file)
    assert "hole-2.position" in lines(drafted(named))


def test_the_same_features_give_the_same_text() -> None:
    assert draft_plan(plate()) == draft_plan(FeatureList.model_validate_json(plate().model_dump_json()))

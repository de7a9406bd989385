from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from shared.plan.offsets import CavityVolume, SectionOffset, SiblingOffset
from shared.tolerances.resolve import limit_faults
from tests.support.guide_corner import plan_of

SECTION = {"id": "it", "kind": "section_offset", "feature": "hole-1", "region": "throat", "point": [0, 0, 1]}
CAVITY = {"id": "it", "kind": "cavity_volume", "region": "chamber"}


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"most": 0.1, "upper_deviation": 0.2}, "not both"),
        ({"most": 0.1, "direction": "x"}, "give deviations"),
        ({"normal": [0, 0, 0], "most": 0.1}, "no direction"),
    ],
)
def test_a_section_offset_that_contradicts_itself_is_refused(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        SectionOffset.model_validate({**SECTION, **given})


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"upper_cc": 2}, "give a plane, or a point"),
        ({"plane": "plane-1", "point": [0, 0, 0], "normal": [0, 0, 1], "upper_cc": 2}, "give a plane, or a point"),
        ({"point": [0, 0, 0], "upper_cc": 2}, "give a plane, or a point"),
        ({"point": [0, 0, 0], "normal": [0, 0, 0], "upper_cc": 2}, "no direction"),
        ({"plane": "plane-1"}, "give lower_cc"),
        ({"plane": "plane-1", "lower_cc": 3, "upper_cc": 2}, "below upper_cc"),
    ],
)
def test_a_cavity_without_its_plane_or_limits_is_refused(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        CavityVolume.model_validate({**CAVITY, **given})


def test_a_section_offset_without_limits_is_a_fault_before_any_cad_is_seen() -> None:
    line = {key: value for key, value in SECTION.items() if key != "id"}
    assert list(limit_faults(plan_of({**line, "most": 0.1}))) == []
    ((path, fault),) = limit_faults(plan_of(line))
    assert path == ("characteristics", 0)
    assert "states no limits" in fault


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"section": {"region": "a", "point": [0, 0, 1]}}, "both section and sibling_section"),
        (
            {
                "section": {"region": "a", "point": [0, 0, 1], "normal": [0, 0, 0]},
                "sibling_section": {"region": "b", "point": [0, 0, 1]},
            },
            "no direction",
        ),
    ],
)
def test_siblings_are_told_from_two_sections_or_none(given: dict[str, Any], words: str) -> None:
    line = {"id": "it", "kind": "sibling_offset", "feature": "hole-1", "sibling": "hole-2", "mirror": "x", "most": 0.1}
    with pytest.raises(ValidationError, match=words):
        SiblingOffset.model_validate({**line, **given})


def test_regions_of_siblings_sections_must_be_known() -> None:
    section = {"region": "nowhere", "point": [0, 0, 1]}
    line = {"kind": "sibling_offset", "feature": "hole-1", "sibling": "hole-2", "mirror": "x", "most": 0.1}
    with pytest.raises(ValidationError, match="region 'nowhere' is not among the plan's regions"):
        plan_of({**line, "section": section, "sibling_section": section})

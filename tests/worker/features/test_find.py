"""A feature picked by id, face, name or point is the one meant, or the plan is refused."""

from __future__ import annotations

from typing import Any

import pytest

from shared.errors import PlanInvalid
from shared.plan import FeaturePick
from tests.support.solids import Tool, box, cut_named, cylinder, fuse, tessellated
from worker.features.detect import detect_features
from worker.features.find import find_feature
from worker.features.records import Feature


def _bored_boss() -> Any:
    """Plate 60 x 40 x 10, a boss of 9 mm radius and 8 mm height with a bore of 4 through both, two 3 mm holes."""
    body = fuse([box((0, 0, 0), (60, 40, 10)), cylinder((30, 20, 10), (0, 0, 1), 9, 8)])
    tools = [
        Tool("bore", cylinder((30, 20, -1), (0, 0, 1), 4, 30)),
        Tool("pin", cylinder((8, 8, -1), (0, 0, 1), 3, 30)),
        Tool("pin", cylinder((52, 8, -1), (0, 0, 1), 3, 30)),
    ]
    return tessellated(*cut_named(body, tools), with_surfaces=True)


NOMINAL = _bored_boss()
FEATURES = detect_features(NOMINAL)


def _find(**pick: Any) -> Feature:
    return find_feature(FEATURES, FeaturePick(**pick), NOMINAL, where="characteristic c1")


@pytest.mark.parametrize(
    ("pick", "wanted"),
    [
        ({"id": "hole-2"}, "hole-2"),
        ({"face_name": "bore"}, "hole-1"),
        ({"point": (30.5, 20.0, 9.0)}, "hole-1"),  # in the bore, and also on the boss's axis
        ({"point": (8.0, 9.0, 5.0)}, "hole-2"),
        ({"point": (52.0, 8.0, 10.0)}, "hole-3"),
        ({"point": (30.0, 26.0, 18.0)}, "plane-1"),  # the ring on top of the boss
        ({"point": (5.0, 30.0, 10.05)}, "plane-2"),
    ],
)
def test_a_pick_means_one_feature(pick: dict[str, Any], wanted: str) -> None:
    assert _find(**pick).id == wanted


def test_a_face_number_picks_the_feature_it_belongs_to() -> None:
    pin = _find(id="hole-3")

    assert _find(face=int(pin.faces[0])).id == "hole-3"


@pytest.mark.parametrize(
    ("pick", "said"),
    [
        ({"id": "hole-9"}, r"characteristic c1: the CAD has no feature hole-9\. Known: hole-1, hole-2, hole-3\."),
        ({"id": "bore"}, r"no feature bore\. Known: plane-1"),
        ({"face": 999}, "no face 999, only 0 to"),
        ({"face_name": "port"}, "no face of the CAD is named 'port'"),
        ({"face_name": "pin"}, "the name 'pin' stands on several features: hole-2, hole-3"),
        ({"point": (200.0, 0.0, 0.0)}, r"no feature of the CAD lies at \(200, 0, 0\)"),
        ({"point": (0.0, 20.0, 10.0)}, "could mean several features: plane-2, plane-"),  # on the edge of two planes
    ],
)
def test_a_pick_of_nothing_or_of_several_is_refused(pick: dict[str, Any], said: str) -> None:
    with pytest.raises(PlanInvalid, match=said) as refused:
        _find(**pick)

    assert "id" in refused.value.advice


def test_a_face_of_a_mesh_has_no_number_to_pick_it_by() -> None:
    with pytest.raises(PlanInvalid, match="the CAD is a mesh"):
        find_feature((), FeaturePick(face=0), NOMINAL, where="datum A")

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from shared.plan import Plan
from tests.support.shapes import COARSE, block, bored_block
from worker.features.detect import detect_features
from worker.measuring.regions import Places, choose_regions, region_triangles
from worker.measuring.samples import sample_nominal
from worker.records import Body, Region

NOMINAL = bored_block((40.0, 30.0, 20.0), 6.0)
SAMPLES = sample_nominal(NOMINAL, settings=COARSE)
FEATURES = detect_features(NOMINAL)


def _cylinder_core() -> Body:
    """A core that fills the bore and stands out at both ends."""
    angle = 2 * np.pi * (np.arange(48) + 0.5) / 48
    rim = 6.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    low, high = (np.column_stack([rim, np.full(48, z)]) for z in (-5.0, 25.0))
    vertices = np.concatenate([low, high, [[0.0, 0.0, -5.0], [0.0, 0.0, 25.0]]])
    k, n = np.arange(48), (np.arange(48) + 1) % 48
    side = [np.column_stack([k, n, n + 48]), np.column_stack([k, n + 48, k + 48])]
    caps = [np.column_stack([n, k, np.full(48, 96)]), np.column_stack([k + 48, n + 48, np.full(48, 97)])]
    return Body("bore_core", "core", vertices, np.concatenate([*side, *caps]))


def _chosen(**choice: Any) -> Region:
    plan = Plan.model_validate({"firstpour_plan": "1", "regions": [{"name": "it", **choice}]})
    return choose_regions(plan.to_mm(), Places(NOMINAL, SAMPLES, (_cylinder_core(),), FEATURES))[0]


def test_a_core_takes_the_surface_it_made_and_no_other() -> None:
    region = _chosen(core="bore_core")
    assert region.source == "core"
    bore = SAMPLES.face == 6
    assert region.is_member[bore].mean() > 0.99
    assert not region.is_member[~bore].any()


@pytest.mark.parametrize("choice", [{"faces": [6]}, {"face_names": ["bore"]}])
def test_faces_by_number_and_by_name_are_the_same(choice: dict[str, Any]) -> None:
    assert np.array_equal(_chosen(**choice).is_member, SAMPLES.face == 6)


@pytest.mark.parametrize(
    ("choice", "area_mm2"),
    [
        ({"box": {"minimum": [-100, -100, 19.9], "maximum": [100, 100, 100]}}, 1200 - np.pi * 36),
        ({"ball": {"centre": [0, 0, 10], "radius": 6.5}}, 2 * np.pi * 6 * 5),
        ({"tube": {"start": [0, 0, 0], "end": [0, 0, 20], "radius": 6.1}}, 2 * np.pi * 6 * 20),
    ],
)
def test_shapes_take_the_area_inside_them(choice: dict[str, Any], area_mm2: float) -> None:
    region = _chosen(**choice)
    assert SAMPLES.area_mm2[region.is_member].sum() == pytest.approx(area_mm2, rel=0.12)  # rims count whole samples


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        ({"core": "jacket"}, "no core body is named 'jacket' .known: bore_core"),
        ({"faces": [6, 40]}, "no face 40"),
        ({"face_names": ["deck"]}, "no face is named 'deck'"),
        ({"ball": {"centre": [500, 0, 0], "radius": 1}}, "holds nothing"),
    ],
)
def test_what_is_not_there_is_named(choice: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanInvalid, match=words) as caught:
        _chosen(**choice)
    assert "regions[0] 'it'" in caught.value.message


def test_a_plan_in_inches_chooses_the_same_region() -> None:
    box = {"minimum": [-10.0, -10.0, 19.0 / 25.4], "maximum": [10.0, 10.0, 10.0]}
    plan = Plan.model_validate({"firstpour_plan": "1", "unit": "inch", "regions": [{"name": "top", "box": box}]})
    region = choose_regions(plan.to_mm(), Places(NOMINAL, SAMPLES))[0]
    assert np.array_equal(region.is_member, SAMPLES.points_mm[:, 2] >= 19.0 - 1e-9)


def test_triangles_of_a_region_are_those_its_samples_fill() -> None:
    plate = block((10.0, 10.0, 10.0))
    samples = sample_nominal(plate, settings=COARSE)
    region = Region("top", "faces", samples.face == 5)
    assert np.array_equal(region_triangles(region, samples, 12), plate.triangle_face == 5)


def test_a_region_can_be_a_feature() -> None:
    region = _chosen(feature="hole-1")
    assert region.source == "feature"
    bore = SAMPLES.face == 6
    assert region.is_member[bore].all()
    assert not region.is_member[~bore].any()

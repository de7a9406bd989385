"""The list of features says what the features say."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.feature_list import FeatureList
from tests.support.model_files import source
from tests.support.step_files import StepDocument, drilled_block
from worker.features.detect import detect_features
from worker.features.listing import list_features
from worker.features.records import Feature
from worker.reading import read_nominal
from worker.records import Nominal


@pytest.fixture(scope="module")
def nominal(tmp_path_factory: pytest.TempPathFactory) -> Nominal:
    document = StepDocument()
    document.add(drilled_block())
    path = tmp_path_factory.mktemp("listing") / "block.step"
    document.write(path)
    return read_nominal(source(Path(path), unit=None))


@pytest.fixture(scope="module")
def features(nominal: Nominal) -> tuple[Feature, ...]:
    return detect_features(nominal)


@pytest.fixture(scope="module")
def listed(nominal: Nominal, features: tuple[Feature, ...]) -> FeatureList:
    return list_features(features, nominal, file="block.step", stated_unit=None)


def test_every_feature_is_listed_under_its_id(listed: FeatureList, features: tuple[Feature, ...]) -> None:
    assert [record.id for record in listed.features] == [feature.id for feature in features]
    assert (listed.file, listed.unit, listed.is_brep) == ("block.step", "mm", True)


def test_the_box_is_that_of_the_part(listed: FeatureList) -> None:
    assert listed.minimum_mm == pytest.approx((0, 0, 0), abs=1e-9)
    assert listed.maximum_mm == pytest.approx((60, 40, 20), abs=1e-9)


def test_a_hole_is_listed_with_its_figures(listed: FeatureList) -> None:
    (hole,) = [record for record in listed.features if record.kind == "hole"]
    assert (hole.radius_mm, hole.depth_mm) == pytest.approx((6.35, 20))
    assert (hole.is_through, hole.is_internal) == (True, True)
    assert hole.point_mm == pytest.approx((20, 20, 10))
    assert hole.minimum_mm == pytest.approx((13.65, 13.65, 0), abs=0.02)


def test_the_list_survives_its_json(listed: FeatureList) -> None:
    assert FeatureList.model_validate_json(listed.model_dump_json()) == listed


def test_no_zero_is_negative(listed: FeatureList) -> None:
    assert "-0.0," not in listed.model_dump_json()

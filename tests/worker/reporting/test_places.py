"""Places shown lie on the surface they speak of, on the map that shows them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shared.report import Report
from tests.support.report_example import example
from worker.reporting.document import build_report
from worker.reporting.places import Places
from worker.reporting.scene import Scene
from worker.reporting.write import report_scene


@pytest.fixture(scope="module")
def places(report: Report, scene: Scene) -> Places:
    return Places(report, scene)


def test_findings_with_a_position_are_numbered_in_order(places: Places, report: Report) -> None:
    numbers = [entry.number for entry in places.findings() if entry.number is not None]
    assert numbers == list(range(1, 1 + sum(entry.point_mm is not None for entry in report.summary.findings)))


def test_core_told_at_the_middle_of_its_hollow_is_shown_on_its_wall() -> None:
    inspected = example(12)
    core = replace(inspected.characteristics[0], point_mm=np.array([60.0, 20.0, 17.0]))
    inspected = replace(inspected, characteristics=(core,))
    place = Places(build_report(inspected), report_scene(inspected)).of_characteristic("core2")
    assert place is not None
    assert np.hypot(place.point[0] - 60, place.point[1] - 20) == pytest.approx(15.0, abs=0.1)
    push = np.array(place.point)[:2] - (60.0, 20.0)
    assert abs(push @ (0.32, -0.31)) / 15 > 0.3  # where the displacement shows


def test_point_on_its_surface_is_shown_where_it_is(places: Places) -> None:
    place = places.of_characteristic("core2")
    assert place is not None
    assert place.point == (60.0, 35.0, 17.0)


def test_wall_is_shown_on_the_wall_map(places: Places) -> None:
    place = places.of_characteristic("wall2")
    assert place is not None
    assert place.map == "wall"


def test_thin_spot_is_shown_on_the_wall_map(places: Places) -> None:
    (spot,) = (entry for entry in places.findings() if entry.text.startswith("Thin spot"))
    assert spot.place is not None
    assert spot.place.map == "wall"


def test_characteristic_without_position_has_no_place(places: Places) -> None:
    assert places.of_characteristic("shrink") is None

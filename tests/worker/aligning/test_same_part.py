"""Another part is called another part; a bad casting of this one, or a scan full of table, is not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from tests.support.alignments import QUICK, head_stand, scanned, stand
from tests.support.parts import bracket, flange, head_block, housing, lever, pump_cover
from tests.support.scanning import ScanRecipe
from tests.support.solids import box, tessellated
from worker.aligning.same_part import (
    Likeness,
    SamePartSettings,
    difference_reason,
    look_directions,
    visible_samples,
)
from worker.records import AlignmentStatus, Floats, Nominal
from worker.rigid import RigidTransform

Part = Callable[[], Nominal]
SETTINGS = SamePartSettings()


def _middle(part: Nominal) -> Floats:
    middle: Floats = (part.vertices_mm.min(axis=0) + part.vertices_mm.max(axis=0)) / 2
    return middle


@pytest.mark.parametrize(
    ("nominal", "piece"), [(bracket, lever), (lever, bracket), (flange, pump_cover), (housing, head_block)]
)
def test_another_part_is_refused_by_name_of_the_reason(nominal: Part, piece: Part) -> None:
    scan, true = scanned(piece(), ScanRecipe(point_count=8_000), seed=1)
    shift = RigidTransform(np.eye(3), _middle(nominal()) - _middle(piece()))
    found = stand(nominal()).align(scan, shift @ true, QUICK)
    assert found.status is AlignmentStatus.NOT_ALIGNED
    assert found.T_nominal_scan is None
    assert found.reason is not None
    assert "different parts" in found.reason


@pytest.mark.parametrize("part", [bracket, lever])
def test_table_larger_than_the_part_does_not_make_it_another(part: Part) -> None:
    scan, true = scanned(part(), ScanRecipe(has_fixture=True, missing_share=0.35, point_count=30_000), seed=2)
    found = stand(part()).align(scan, true, QUICK)
    assert found.status is AlignmentStatus.ALIGNED


def test_small_part_lying_on_a_large_nominal_is_another() -> None:
    scan, true = scanned(tessellated(box((60, 60, 82), (12, 9, 8))), ScanRecipe(point_count=5_000), seed=1)
    found = head_stand().align(scan, true, QUICK)
    assert found.status is AlignmentStatus.NOT_ALIGNED


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (Likeness(0.9, 0.5, 0.5, 2.0), None),
        (Likeness(0.3, 0.5, 0.5, 2.0), "30% of the scan around"),
        (Likeness(0.9, 0.02, 0.5, 2.0), "2% of the scan lies"),
        (Likeness(0.9, 0.5, 0.03, 2.0), "3% of the nominal's visible surface"),
    ],
)
def test_reason_names_the_share_that_is_too_small(found: Likeness, words: str | None) -> None:
    reason = difference_reason(found, SETTINGS)
    assert (reason is None) if words is None else (reason is not None and words in reason)


def test_inside_of_a_closed_box_is_not_visible() -> None:
    outer = tessellated(box((0, 0, 0), (60, 40, 20)))
    count = len(outer.vertices_mm)
    inner = 10 + 0.5 * outer.vertices_mm
    both = Nominal(
        vertices_mm=np.concatenate([outer.vertices_mm, inner]),
        triangles=np.concatenate([outer.triangles, outer.triangles[:, ::-1] + count]),
        triangle_face=np.concatenate([outer.triangle_face, outer.triangle_face]),
        faces=outer.faces,
        chord_tolerance_mm=None,
        angular_tolerance_rad=None,
        declared_unit="mm",
        is_watertight=True,
    )
    bench = stand(both)
    seen = bench.samples.points_mm[visible_samples(bench.samples, bench.surface, 2000)]
    on_outside = ((seen < 1e-9) | (seen > np.array([60, 40, 20]) - 1e-9)).any(axis=1)
    assert len(seen) > 500
    assert on_outside.all()


def test_looks_come_from_all_round() -> None:
    looks = look_directions()
    assert len(looks) == 26
    np.testing.assert_allclose(looks.sum(axis=0), 0.0, atol=1e-12)

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from tests.support.formed import formed_scan, measured_piece, plan_of
from tests.support.shapes import block
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.records import Characteristic, Floats, Ints, Verdict

PLATE = block((90.0, 60.0, 12.0))
REGIONS = {"regions": [{"name": "top", "faces": [5]}]}
SECTION = {"point": [0, 30, 0], "normal": [0, 2, 0]}
NOISE_MM = 0.001
CALM_MM = 4 * NOISE_MM  # twice the extremes of samples that average a few points each


@lru_cache(maxsize=8)
def _plate(low_mm: float, high_mm: float) -> Measured:
    """The top at one height on the left third, at another on the right third, a slope between."""

    def bend(points: Floats, normals: Floats, face: Ints) -> Floats:
        height = np.interp(points[:, 0], [30.0, 60.0], [low_mm, high_mm])
        shift: Floats = np.where(face == 5, height, 0.0)[:, None] * normals
        return shift

    scan = formed_scan(PLATE, bend, noise_mm=NOISE_MM, count=30_000)
    return measured_piece(PLATE, scan, plan_of(**REGIONS), has_walls=True)


def _line(measured: Measured, line: dict[str, Any], **rest: Any) -> Characteristic:
    return judge_plan(plan_of(line, **REGIONS, **rest), measured)[0]


@pytest.mark.parametrize("kind", [{"kind": "surface_profile"}, {"kind": "line_profile", **SECTION}])
@pytest.mark.parametrize(
    ("low", "high", "outside", "width_mm", "verdict"),
    [
        (-0.05, 0.48, 0.5, 0.56, Verdict.CONFORMS),
        (-0.12, 0.30, 0.5, 0.64, Verdict.DOES_NOT_CONFORM),
        (-0.20, 0.10, None, 0.40, Verdict.CONFORMS),
        (-0.35, 0.00, None, 0.70, Verdict.DOES_NOT_CONFORM),
    ],
)
def test_profile_is_the_zone_grown_about_its_own_middle(  # noqa: PLR0913, PLR0917 - one row of the published table
    kind: dict[str, Any], low: float, high: float, outside: float | None, width_mm: float, verdict: Verdict
) -> None:
    """ASME Y14.5.1-2019 (from memory): 2 max |d - m|, m = u - t / 2; max |d| alone is not compared with t."""
    found = _line(_plate(low, high), {**kind, "region": "top", "zone": 0.6, "outside": outside})
    assert found.measured == pytest.approx(width_mm, abs=CALM_MM)
    assert found.verdict is verdict


def test_an_unequal_zone_is_told_in_iso_words_too() -> None:
    """0.6 U 0.5 of ASME Y14.5 is 0.6 UZ +0.2 of ISO 1101: the zone's middle lies u - t / 2 out of material."""
    found = _line(_plate(-0.05, 0.48), {"kind": "surface_profile", "region": "top", "zone": 0.6, "outside": 0.5})
    assert found.details["iso_zone"] == "0.6 UZ +0.2 mm"


def test_a_section_sees_only_what_it_cuts() -> None:
    line = {"kind": "line_profile", "region": "top", "zone": 0.6, "point": [10, 0, 0], "normal": [1, 0, 0]}
    found = _line(_plate(-0.05, 0.48), line)
    assert found.measured == pytest.approx(0.10, abs=CALM_MM)
    assert found.point_mm is not None
    assert abs(found.point_mm[0] - 10) <= float(str(found.details["slice_mm"])) / 2


def test_a_section_that_misses_the_part_is_not_measured() -> None:
    line = {"kind": "line_profile", "zone": 0.6, "point": [0, 0, 50], "normal": [0, 0, 1]}
    assert _line(_plate(-0.05, 0.48), line).verdict is Verdict.NOT_MEASURED


@pytest.mark.parametrize(
    ("required", "most", "value_mm", "verdict", "short"),
    [
        (0.3, None, 0.4, Verdict.CONFORMS, 0.0),
        (0.5, None, 0.4, Verdict.DOES_NOT_CONFORM, 0.4),
        (0.3, 0.8, 0.9, Verdict.DOES_NOT_CONFORM, 0.0),
        (0.5, 0.85, 0.4, Verdict.DOES_NOT_CONFORM, 0.4),  # short by 0.1, too much by 0.05
    ],
)
def test_allowance_is_the_least_material_left_or_the_most_where_that_is_worse(
    required: float, most: float | None, value_mm: float, verdict: Verdict, short: float
) -> None:
    line = {"kind": "machining_allowance", "region": "top", "required": required, "most": most}
    found = _line(_plate(0.4, 0.9), line)
    assert found.measured == pytest.approx(value_mm, abs=CALM_MM)
    assert found.verdict is verdict
    assert found.details["short_share"] == pytest.approx(short, abs=0.03)  # 30 mm and a fifth of 30, of 90


def test_allowance_by_feature_is_that_of_its_region() -> None:
    by_region = _line(_plate(0.4, 0.9), {"kind": "machining_allowance", "region": "top", "required": 0.3})
    by_feature = _line(_plate(0.4, 0.9), {"kind": "machining_allowance", "feature": "plane-1", "required": 0.3})
    assert by_feature.measured == by_region.measured


def test_a_wall_by_grade_is_judged_where_it_leaves_least_room() -> None:
    """ISO 8062-3: the wall one grade coarser than the casting, as nominal plus or minus half the band."""
    found = _line(_plate(-0.05, 0.3), {"kind": "wall_thickness", "region": "top", "grade": 1})
    assert found.measured == pytest.approx(12.3, abs=CALM_MM)
    assert found.point_mm is not None
    assert found.point_mm[0] > 50
    assert found.limits.lower is not None
    assert found.limits.upper is not None
    assert (found.limits.lower + found.limits.upper) / 2 == pytest.approx(12.0, abs=0.01)
    assert found.verdict is Verdict.DOES_NOT_CONFORM

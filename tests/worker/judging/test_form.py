from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from tests.support.formed import Bend, formed_scan, measured_piece, plan_of, straight, turned_part
from tests.support.shapes import block
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.records import Characteristic, Floats, Ints, Nominal, Verdict

SHAFT = turned_part([(0, 0), (12, 0), (12, 30), (20, 30), (20, 80), (0, 80)])  # boss-1: radius 20, 30 to 80
PLATE = block((90.0, 60.0, 12.0))  # plane-1: its top
NOISE_MM, HEIGHT_MM = 0.01, 0.06
THREE_SIGMA = 1.5  # of U at k = 2: one seed in 400 may lie beyond
SHARE = 0.03  # of a width that patches and the places between them may cut off its crests


def _barrel(points: Floats, normals: Floats, face: Ints) -> Floats:
    return _radial(face, normals, HEIGHT_MM * ((points[:, 2] - 55) / 25) ** 2)


def _lobes(points: Floats, normals: Floats, face: Ints) -> Floats:
    return _radial(face, normals, HEIGHT_MM / 2 * np.cos(3 * np.arctan2(points[:, 1], points[:, 0])))


def _bent(points: Floats, _normals: Floats, face: Ints) -> Floats:
    shift = np.zeros_like(points)
    shift[:, 0] = np.where(face == 3, HEIGHT_MM * ((points[:, 2] - 55) / 25) ** 2, 0.0)
    return shift


def _radial(face: Ints, normals: Floats, height: Floats) -> Floats:
    shift: Floats = np.where(face == 3, height, 0.0)[:, None] * normals
    return shift


def _bowed(points: Floats, normals: Floats, face: Ints) -> Floats:
    shift: Floats = np.where(face == 5, HEIGHT_MM * (points[:, 0] / 45 - 1) ** 2, 0.0)[:, None] * normals
    return shift


def _saddle(points: Floats, normals: Floats, face: Ints) -> Floats:
    height = HEIGHT_MM / 2 * (points[:, 0] / 45 - 1) * (points[:, 1] / 30 - 1)
    shift: Floats = np.where(face == 5, height, 0.0)[:, None] * normals
    return shift


@lru_cache(maxsize=12)
def _piece(bend: Bend, share: float = 1.0) -> Measured:
    part: Nominal = PLATE if bend in (_bowed, _saddle) else SHAFT
    keep = None if share == 1.0 else lambda points: points[:, 1] < -20 + 40 * share
    return measured_piece(part, formed_scan(part, bend, noise_mm=NOISE_MM), keep=keep)


def _line(measured: Measured, line: dict[str, Any], **rest: Any) -> Characteristic:
    return judge_plan(plan_of({"zone": 0.1, **line}, **rest), measured)[0]


ROUND = {"feature": "boss-1"}


@pytest.mark.parametrize(
    ("bend", "line", "width_mm"),
    [
        (_lobes, {"kind": "roundness", **ROUND}, HEIGHT_MM),
        (_lobes, {"kind": "cylindricity", **ROUND}, HEIGHT_MM),
        (_lobes, {"kind": "straightness", **ROUND}, 0.0),
        (_barrel, {"kind": "cylindricity", **ROUND}, HEIGHT_MM),
        (_barrel, {"kind": "roundness", **ROUND}, 0.0),
        (_barrel, {"kind": "straightness", "of": "lines", **ROUND}, HEIGHT_MM),
        (_barrel, {"kind": "straightness", **ROUND}, 0.0),
        (_bent, {"kind": "straightness", **ROUND}, HEIGHT_MM),
        (_bowed, {"kind": "flatness", "feature": "plane-1"}, HEIGHT_MM),
        (_bowed, {"kind": "straightness", "of": "lines", "feature": "plane-1"}, HEIGHT_MM),
        (_saddle, {"kind": "flatness", "feature": "plane-1"}, HEIGHT_MM),
        (straight, {"kind": "cylindricity", **ROUND}, 0.0),
        (straight, {"kind": "flatness", "feature": "plane-1"}, 0.0),
    ],
)
def test_form_is_the_least_zone_of_the_surface(bend: Bend, line: dict[str, Any], width_mm: float) -> None:
    """Lobes of amplitude a need 2 a; a parabola its own height; a saddle of corners +-h needs 2 h (ISO 1101)."""
    found = _line(_piece(bend), line)
    assert found.measured is not None
    assert found.U is not None
    assert abs(found.measured - width_mm) <= THREE_SIGMA * found.U + SHARE * width_mm
    assert found.U < NOISE_MM


def test_what_noise_adds_is_taken_out_where_a_range_of_points_would_show_it() -> None:
    """Of 1000 points the range is 6.5 standard deviations on average."""
    found = _line(_piece(straight), {"kind": "flatness", "feature": "plane-1"})
    assert found.measured is not None
    assert found.measured < 0.3 * NOISE_MM


@pytest.mark.parametrize(
    ("line", "bend"),
    [
        ({"kind": "flatness", "feature": "boss-1"}, straight),
        ({"kind": "roundness", "feature": "plane-1"}, straight),
        ({"kind": "cylindricity", "feature": "plane-1"}, _bowed),
        ({"kind": "straightness", "feature": "plane-1"}, _bowed),
    ],
)
def test_a_form_the_feature_cannot_have_is_the_plans_fault(line: dict[str, Any], bend: Bend) -> None:
    with pytest.raises(PlanInvalid, match="characteristic it"):
        _line(_piece(bend), line)


@pytest.mark.parametrize("share", [0.15, 0.8])
def test_a_bore_seen_in_part_never_passes(share: float) -> None:
    found = _line(_piece(straight, share), {"kind": "cylindricity", **ROUND})
    assert found.verdict is (Verdict.NOT_MEASURED if share < 0.3 else Verdict.NOT_PROVEN)
    assert found.reason


def test_the_scanners_share_grows_as_the_root_of_the_features_size() -> None:
    scanner = {"scanner": {"expanded_uncertainty": 0.04}}
    found = _line(_piece(_bowed), {"kind": "flatness", "feature": "plane-1"}, **scanner)
    whole = float(np.linalg.norm([90.0, 60.0, 12.0]))
    assert found.budget["scanner"] == pytest.approx(0.02 * np.sqrt(90.0 / whole))


def test_the_same_piece_gives_the_same_bits() -> None:
    line = {"kind": "roundness", **ROUND}
    assert _line(_piece(_lobes), line).measured == _line(_piece(_lobes), line).measured

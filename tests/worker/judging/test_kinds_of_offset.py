from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from tests.support.guide_corner import (
    DOWELS,
    FLOOR,
    GUIDE,
    GUIDE_AT_MM,
    GUIDE_AXIS,
    LEAN_RAD,
    NOISY,
    SIZE_MM,
    SOUND,
    THROAT_AT_MM,
    TOP,
    WRONG,
    Faults,
    along_guide,
    judged,
    measured,
)
from worker.judging.finding import Unmeasured
from worker.judging.measured import Measured
from worker.records import Characteristic, Floats, Verdict

AT_MM = -10.0  # the section, along the guide
LIMITS = {"lower_deviation": -0.1, "upper_deviation": 0.1}
SECTION: dict[str, Any] = {
    "kind": "section_offset",
    "feature": GUIDE,
    "region": "throat",
    "point": along_guide(AT_MM),
    **LIMITS,
}
DEPTH: dict[str, Any] = {"kind": "pocket_depth", "feature": FLOOR, "face": TOP, "axis": GUIDE, **LIMITS}
NOMINAL_DEPTH_MM = (SIZE_MM[2] - along_guide(18.0)[2]) / np.cos(LEAN_RAD)


def _offset(throat_mm: tuple[float, float] = (0.0, 0.0), direction: Floats = GUIDE_AXIS) -> Floats:
    """From the throat's own axis, which is upright, to the guide's in the section square to ``direction``."""
    met = np.array(along_guide(AT_MM))
    foot = np.r_[THROAT_AT_MM + throat_mm, 0.0]
    centroid = foot + np.array([0.0, 0.0, ((met - foot) @ direction) / direction[2]])
    offset: Floats = met - centroid
    return offset


def _reason(found: Characteristic | Unmeasured) -> str:
    return str(found.reason)


def test_nominals_offset_is_that_of_both_axes_in_the_section() -> None:
    found = judged(measured(), SECTION)
    assert found.nominal == pytest.approx(float(np.linalg.norm(_offset())), abs=1e-6)
    assert found.measured == pytest.approx(found.nominal, abs=1e-6)
    assert found.verdict is Verdict.CONFORMS


def test_a_shifted_throat_is_told_by_its_vector_and_against_nominal() -> None:
    found = judged(measured(WRONG), SECTION)
    off = _offset(WRONG.throat_mm)
    second_order_mm = 0.36**2 / (2 * 12.0)  # of walls moved along their own normals instead of sideways
    assert found.details["offset_mm"] == pytest.approx(off, abs=second_order_mm)
    assert found.details["departure_mm"] == pytest.approx(off - _offset(), abs=second_order_mm)
    assert found.verdict is Verdict.DOES_NOT_CONFORM


@pytest.mark.parametrize(("axis", "part"), [("x", 0), ("y", 1), ("z", 2)])
def test_a_component_keeps_its_sign(axis: str, part: int) -> None:
    found = judged(measured(WRONG), {**SECTION, "direction": axis})
    assert found.nominal == pytest.approx(_offset()[part], abs=1e-6)
    assert found.measured == pytest.approx(_offset(WRONG.throat_mm)[part], abs=0.006)


def test_a_section_by_point_and_normal_is_cut_there() -> None:
    level = {**SECTION, "normal": [0, 0, -2], "lower_deviation": -0.01}
    found = judged(measured(WRONG), level)
    assert found.nominal == pytest.approx(float(np.linalg.norm(_offset(direction=np.array([0, 0, 1.0])))), abs=1e-6)
    assert found.details["section_area_mm2"] == pytest.approx(np.pi * 12**2, rel=2e-3)


def test_most_limits_the_offset_itself() -> None:
    line = {key: value for key, value in SECTION.items() if key not in LIMITS}
    found = judged(measured(), {**line, "most": 2.0})
    assert (found.limits.lower, found.limits.upper, found.verdict) == (None, 2.0, Verdict.DOES_NOT_CONFORM)


@pytest.mark.parametrize(("faults", "seed"), NOISY)
def test_noise_stays_within_U_and_averages_over_the_outline(faults: Faults, seed: int) -> None:
    noise_mm = 0.02
    found = judged(measured(faults, seed, noise_mm), SECTION)
    true = float(np.linalg.norm(_offset(faults.throat_mm)))
    assert found.U is not None
    assert abs(float(found.measured or 0.0) - true) < 1.6 * found.U  # k = 3 instead of 2, and a little form
    assert found.budget["scan noise"] < noise_mm / 5


def test_the_scanners_own_error_does_not_average() -> None:
    found = judged(measured(), SECTION, scanner={"expanded_uncertainty": 0.04})
    assert pytest.approx(0.04, rel=1e-3) == found.U


@pytest.mark.parametrize(("unseen", "is_told"), [("a fifth of the throat", True), ("half of the throat", False)])
def test_an_outline_half_unseen_is_not_measured_and_a_fifth_unseen_cannot_pass(unseen: str, is_told: bool) -> None:
    found = judged(measured(WRONG, unseen=unseen), {**SECTION, "upper_deviation": 5.0})
    if is_told:
        assert found.verdict is Verdict.NOT_PROVEN
        assert found.details["offset_mm"] == pytest.approx(_offset(WRONG.throat_mm), abs=0.01)
    else:
        assert found.verdict is Verdict.NOT_MEASURED
        assert "of the section's outline was scanned, 75% are needed" in _reason(found)


def test_the_pose_of_the_piece_drops_out() -> None:
    """But for a shift along the guide: the plane then cuts the throat, which leans against it, farther aside."""
    sigma_mm = 0.1
    piece = measured(WRONG)
    unsure = replace(piece, alignment=replace(piece.alignment, freedom=_freedom(piece, sigma_mm)))
    across, along = (judged(unsure, {**SECTION, "direction": axis}).budget["alignment"] for axis in "yx")
    assert across < 1e-3
    assert along == pytest.approx(sigma_mm * np.tan(LEAN_RAD) * np.cos(LEAN_RAD), rel=1e-3)


def _freedom(piece: Measured, sigma_mm: float) -> Any:
    freedom = piece.alignment.freedom
    assert freedom is not None
    return replace(freedom, covariance=np.diag([0.0, 0.0, 0.0, *[sigma_mm**2] * 3]))


def test_the_section_is_shown_in_the_view_and_by_axes() -> None:
    found = judged(measured(WRONG), SECTION)
    labels = {mark.label for mark in found.exhibits.marks}
    assert {"section of the piece", "centroid of the section", "offset"} <= labels
    outline = next(mark for mark in found.exhibits.marks if mark.label == "section of the piece").points_mm
    assert np.abs((outline - GUIDE_AT_MM - AT_MM * GUIDE_AXIS) @ GUIDE_AXIS).max() < 1e-9
    (table,) = found.exhibits.tables
    assert [row[0] for row in table.rows] == ["nominal", "measured", "measured less nominal", "U of measured"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"point": along_guide(500.0)}, "does not cut region throat"),
        ({"normal": [0, 1, 0]}, "runs along the section plane"),
        ({"normal": [1, 0, 0.3]}, "is open for"),
        ({"feature": TOP}, "is a plane"),
    ],
)
def test_a_section_that_nominal_has_not_is_refused_by_name(change: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanInvalid, match=words):
        judged(measured(), {**SECTION, **change})


@pytest.mark.parametrize("faults", [SOUND, WRONG], ids=["sound", "wrong"])
def test_depth_is_measured_along_the_leaning_guide(faults: Faults) -> None:
    """The floor is square to the guide, the face is level: along the guide it is 1 / cosine of the plain height."""
    found = judged(measured(faults), DEPTH)
    assert found.nominal == pytest.approx(NOMINAL_DEPTH_MM, abs=1e-6)
    assert found.measured == pytest.approx(NOMINAL_DEPTH_MM + faults.deeper_mm, abs=1e-6)
    assert (found.verdict is Verdict.CONFORMS) == (faults is SOUND)


def test_a_floor_above_the_face_is_less_than_nothing_deep() -> None:
    """The same two planes taken the other way round: the top stands above the pocket's floor, whose normal is up."""
    found = judged(measured(), {**DEPTH, "feature": TOP, "face": FLOOR})
    assert found.measured == pytest.approx(-NOMINAL_DEPTH_MM, abs=1e-6)


def test_noise_of_floor_face_and_axis_is_in_the_depths_U() -> None:
    found = judged(measured(SOUND, 1, 0.02), DEPTH)
    assert found.U is not None
    assert abs(float(found.measured or 0.0) - NOMINAL_DEPTH_MM) < 1.5 * found.U
    assert {"fit of floor", "fit of face", "fit of axis"} <= set(found.budget)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"feature": GUIDE}, "is a hole and no plane"),
        ({"axis": TOP}, "has no axis"),
        ({"face": {"point": [45, 0, 25]}}, "runs along the planes"),
    ],
)
def test_a_depth_without_planes_or_axis_is_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanInvalid, match=words):
        judged(measured(), {**DEPTH, **change})


def test_the_angle_of_a_leaning_guide_is_the_kind_angles() -> None:
    """A valve's angle needs no kind of its own: axis to axis it is the lean, to the deck's normal as well."""
    for second in (DOWELS[0], TOP):
        line = {"kind": "angle", "first": GUIDE, "second": second, "lower_degrees": 13.5, "upper_degrees": 14.5}
        found = judged(measured(), line)
        assert found.measured == pytest.approx(np.degrees(LEAN_RAD), abs=1e-5)
        assert found.verdict is Verdict.CONFORMS

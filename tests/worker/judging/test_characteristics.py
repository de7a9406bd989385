from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any, get_args

import numpy as np
import pytest

from shared.plan import AnyCharacteristic, Plan
from tests.support.shapes import block, bored_block, deviation_of, perfect_alignment, scan_of
from worker.features.detect import detect_features
from worker.judging.characteristics import MEASURE, judge_plan
from worker.judging.limits import limits_of
from worker.judging.measured import Measured
from worker.measuring.regions import Places, choose_regions
from worker.measuring.thickness import measure_thickness
from worker.records import AlignmentStatus, Characteristic, Nominal, Scan, Shrink, Verdict
from worker.surface import SurfaceQuery

PLATE = block((60.0, 40.0, 5.0))
BORED = bored_block((40.0, 30.0, 20.0), 6.0)
TEN = bored_block((40.0, 30.0, 20.0), 5.0)
TOP = {"name": "top", "faces": [5]}
SHRINK = Shrink(
    np.array([1.002, 1.002, 1.001]), np.eye(3) * 1e-10, 1.002, 1e-5, np.array([True, True, False]), np.zeros(3)
)


def _plan(*lines: dict[str, Any], **rest: Any) -> Plan:
    return Plan.model_validate(
        {"firstpour_plan": "1", "regions": [TOP], "characteristics": list(lines), **rest}
    ).to_mm()


def _measured(nominal: Nominal, scan: Scan, plan: Plan) -> Measured:
    samples, deviation = deviation_of(nominal, scan)
    surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles)
    features = detect_features(nominal)
    return Measured(
        nominal=nominal,
        samples=samples,
        alignment=perfect_alignment(SHRINK, sigma_mm=0.001),
        deviation=deviation,
        thickness=measure_thickness(samples, surface, deviation, spot_limit_mm=None),
        regions=choose_regions(plan, Places(nominal, samples, (), features)),
        quantum_mm=1e-5,
        features=features,
    )


@lru_cache(maxsize=8)
def _plate(shift_mm: float, share: float = 1.0) -> Measured:
    """The plate with its top moved, seen up to a share of its length."""
    scan = scan_of(PLATE, 60_000, 1, noise_mm=0.005)
    kept = scan.points_mm[:, 0] < 60.0 * share
    if scan.normals is None:
        raise ValueError
    points, normals = scan.points_mm[kept].copy(), scan.normals[kept]
    points[normals[:, 2] > 0.9, 2] += shift_mm
    return _measured(PLATE, Scan(points, normals, None, "mm", 0.0), _plan())


def _line(measured: Measured, line: dict[str, Any], **rest: Any) -> Characteristic:
    return judge_plan(_plan({"id": "it", **line}, **rest), measured)[0]


@pytest.mark.parametrize(
    ("shift_mm", "outside", "width_mm", "verdict"),
    [
        (0.1, None, 0.2, Verdict.CONFORMS),
        (0.4, None, 0.8, Verdict.DOES_NOT_CONFORM),
        (0.48, 0.5, 0.56, Verdict.CONFORMS),  # t 0.6, u 0.5: m = 0.2, 2 |0.48 - 0.2|
        (-0.12, 0.5, 0.64, Verdict.DOES_NOT_CONFORM),
    ],
)
def test_profile_is_the_zone_about_its_own_middle(
    shift_mm: float, outside: float | None, width_mm: float, verdict: Verdict
) -> None:
    """ASME Y14.5.1-2019 (from memory): the reported value is 2 max |d - m| with m = u - t / 2."""
    line = {"kind": "surface_profile", "region": "top", "zone": 0.6, "outside": outside}
    found = _line(_plate(shift_mm), line)
    assert found.measured == pytest.approx(width_mm, abs=0.02)
    assert found.verdict is verdict


@pytest.mark.parametrize(("least", "verdict"), [(4.4, Verdict.CONFORMS), (4.8, Verdict.DOES_NOT_CONFORM)])
def test_wall_is_that_of_the_piece(least: float, verdict: Verdict) -> None:
    found = _line(_plate(-0.4), {"kind": "wall_thickness", "region": "top", "least": least})
    assert found.measured == pytest.approx(4.6, abs=0.02)
    assert found.nominal == pytest.approx(5.0)
    assert found.verdict is verdict


def test_what_was_seen_too_little_of_cannot_pass_but_can_fail() -> None:
    line = {"kind": "surface_profile", "region": "top", "zone": 0.6}
    passing, failing = _line(_plate(0.1, 0.5), line), _line(_plate(0.4, 0.5), line)
    assert passing.verdict is Verdict.NOT_PROVEN
    assert "only 51% of it was seen" in str(passing.reason)
    assert failing.verdict is Verdict.DOES_NOT_CONFORM


def test_the_scanners_own_uncertainty_is_in_the_budget_and_in_U() -> None:
    line = {"kind": "wall_thickness", "region": "top", "least": 4.0}
    plain, stated = _line(_plate(0.1), line), _line(_plate(0.1), line, scanner={"expanded_uncertainty": 0.04})
    assert stated.budget["scanner"] == pytest.approx(0.02)
    assert stated.U is not None
    assert plain.U is not None
    assert pytest.approx(0.04**2) == stated.U**2 - plain.U**2


def _bored(shift_mm: tuple[float, float], radius_mm: float = 6.0, nominal: Nominal = BORED) -> Measured:
    rest = scan_of(nominal, 20_000, 1, face=np.arange(6))
    rng = np.random.default_rng(2)
    turn = rng.uniform(0, 2 * np.pi, 6000)
    outward = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(6000)])
    hole = radius_mm * outward + np.column_stack([np.tile(shift_mm, (6000, 1)), rng.uniform(0.2, 19.8, 6000)])
    if rest.normals is None:
        raise ValueError
    points, normals = np.concatenate([rest.points_mm, hole]), np.concatenate([rest.normals, -outward])
    return _measured(nominal, Scan(points, normals, None, "mm", 0.0), _plan())


@pytest.mark.parametrize(
    ("shift", "zone_mm", "limit", "verdict"),
    [
        ((0.03, 0.04), 0.100, 0.25, Verdict.CONFORMS),  # twice the root of both squares
        ((0.15, 0.0), 0.300, 0.25, Verdict.DOES_NOT_CONFORM),
        ((0.15, 0.2), 0.500, 0.25, Verdict.DOES_NOT_CONFORM),
    ],
)
def test_position_is_the_diameter_of_the_zone_the_axis_needs(
    shift: tuple[float, float], zone_mm: float, limit: float, verdict: Verdict
) -> None:
    found = _line(_bored(shift), {"kind": "position", "feature": {"point": [0.5, 0.5, 10]}, "zone_diameter": limit})
    assert found.measured == pytest.approx(zone_mm, abs=1e-5)
    assert found.details["offset_at_end_mm"] == pytest.approx([*shift, 0.0], abs=1e-5)
    assert found.verdict is verdict


def test_size_is_the_diameter_within_limits_about_nominal() -> None:
    line = {"kind": "size", "feature": {"face": 6}, "lower_deviation": -0.1, "upper_deviation": 0.1}
    found = _line(_bored((0.0, 0.0), 6.04), line)
    assert found.measured == pytest.approx(12.08, abs=1e-6)
    assert (found.nominal, found.limits.lower, found.limits.upper) == pytest.approx((12.0, 11.9, 12.1))
    assert found.feature == "hole-1"


@pytest.mark.parametrize(
    ("limits", "lower", "upper"),
    [
        ({"fit": "H11"}, 12.0, 12.110),  # ISO 286-1: IT11 is 110 um over 10 up to 18 mm
        ({"general": "ISO 2768-m"}, 11.8, 12.2),  # over 6 up to 30 mm
        ({"general": "ISO 8062-3 DCTG 9"}, 11.2, 12.8),  # a band of 1.6 over 10 up to 16 mm
    ],
)
def test_limits_come_from_the_named_table(limits: dict[str, str], lower: float, upper: float) -> None:
    found = _line(_bored((0.0, 0.0), 6.04), {"kind": "size", "feature": "hole-1", **limits})
    assert (found.limits.lower, found.limits.upper) == pytest.approx((lower, upper))
    assert next(iter(limits.values())) in str(found.limits_source)


@pytest.mark.parametrize(
    ("radius_mm", "bonus_mm", "allowed_mm"),
    [(5.06, 0.12, 0.42), (5.0, 0.0, 0.3), (4.99, 0.0, 0.3), (5.2, 0.2, 0.5)],
)
def test_a_hole_larger_than_mmc_gets_a_larger_zone(radius_mm: float, bonus_mm: float, allowed_mm: float) -> None:
    """Hole 10.0 +0.2/0, zone 0.3 at MMC: at 10.12 the zone is 0.42 (worked example of the trade, ASME Y14.5)."""
    line = {"kind": "position", "feature": "hole-1", "zone_diameter": 0.3, "condition": "mmc"}
    found = _line(_ten(radius_mm), line | {"lower_deviation": 0.0, "upper_deviation": 0.2})
    assert found.limits.upper == pytest.approx(allowed_mm, abs=1e-4)
    assert found.details.get("bonus_mm", 0.0) == pytest.approx(bonus_mm, abs=1e-4)


def _ten(radius_mm: float) -> Measured:
    """A bore of 10 mm, made otherwise."""
    return _bored((0.1, 0.0), radius_mm, TEN)


@pytest.mark.parametrize(
    ("axis", "piece", "percent"),
    [
        ("overall", {"kind": "casting", "shrink_allowance_percent": 1.3}, 100 * (1.013 / 1.002 - 1)),
        ("z", {"kind": "casting", "shrink_allowance_percent": 1.3}, None),
        ("x", {"kind": "print"}, 100 * (1 / 1.002 - 1)),
        ("x", {"kind": "casting"}, None),
    ],
)
def test_shrink_counts_the_allowance_in_the_pattern(axis: str, piece: dict[str, Any], percent: float | None) -> None:
    line = {"kind": "shrink", "axis": axis, "lower_percent": 0.5, "upper_percent": 1.5}
    found = _line(_plate(0.1), line, piece=piece)
    assert found.measured == (None if percent is None else pytest.approx(percent))
    assert (found.verdict is Verdict.NOT_MEASURED) == (percent is None)
    assert (found.reason is not None) == (percent is None or found.verdict is Verdict.NOT_PROVEN)


def test_core_displacement_is_against_the_rest_with_its_vector() -> None:
    found = _line(_plate(0.3), {"kind": "core_displacement", "region": "top", "most": 0.2, "shrink_removed": False})
    assert found.measured == pytest.approx(0.3, abs=0.01)
    assert found.details["displacement_mm"] == pytest.approx([0.0, 0.0, 0.3], abs=0.01)
    assert found.verdict is Verdict.DOES_NOT_CONFORM


@pytest.mark.parametrize("status", [AlignmentStatus.NOT_ALIGNED, AlignmentStatus.AMBIGUOUS])
def test_without_an_alignment_no_line_is_measured_and_each_says_why(status: AlignmentStatus) -> None:
    base = _plate(0.1)
    lost = replace(base, alignment=replace(base.alignment, status=status, reason="two poses fit"))
    found = _line(lost, {"kind": "wall_thickness", "least": 1.0})
    assert found.verdict is Verdict.NOT_MEASURED
    assert "two poses fit" in str(found.reason)


def test_every_kind_of_the_plan_is_measured_and_has_limits() -> None:
    kinds = {get_args(kind.model_fields["kind"].annotation)[0] for kind in get_args(get_args(AnyCharacteristic)[0])}
    assert kinds == set(MEASURE)
    plan = _plan({"id": "a", "kind": "surface_profile", "zone": 0.5})
    assert limits_of(plan.characteristics[0], plan, _plate(0.1)).limits.upper == 0.5


def test_a_plan_in_inches_judges_the_same() -> None:
    inch = _line(_plate(-0.4), {"kind": "wall_thickness", "region": "top", "least": 4.4 / 25.4}, unit="inch")
    assert inch.limits.lower == pytest.approx(4.4)
    assert inch.verdict is Verdict.CONFORMS


def test_distance_of_two_faces_is_that_of_the_piece() -> None:
    line = {"kind": "distance", "first": {"face": 4}, "second": {"face": 5}, "general": "ISO 2768-m"}
    found = _line(_plate(0.3), line)
    assert found.measured == pytest.approx(5.3, abs=0.002)
    assert (found.nominal, found.limits.lower, found.limits.upper) == pytest.approx((5.0, 4.9, 5.1))
    assert found.verdict is Verdict.DOES_NOT_CONFORM


def test_angle_of_opposite_faces_is_half_a_turn() -> None:
    line = {"kind": "angle", "first": {"face": 4}, "second": {"face": 5}, "general": "ISO 2768-m"}
    found = _line(_plate(0.3), line)
    assert found.measured == pytest.approx(180.0, abs=0.02)
    assert found.unit == "deg"


def test_monte_carlo_stands_beside_the_law_of_propagation_and_judges() -> None:
    line = {"kind": "position", "feature": "hole-1", "zone_diameter": 0.4}
    both = {"uncertainty": {"method": "monte_carlo", "draws": 20000}, "scanner": {"expanded_uncertainty": 0.01}}
    found = _line(_bored((0.1, 0.0)), line, **both)
    assert found.U_monte_carlo == found.U
    assert found.U_gum is not None
    assert pytest.approx(found.U_gum, rel=0.05) == found.U
    assert _line(_bored((0.1, 0.0)), line, **both).U == found.U  # the same seed, the same draws


def test_a_substitution_takes_the_bias_away_and_the_larger_U() -> None:
    """ISO 15530-3: the mean error on a calibrated piece is corrected, and its own uncertainty stated."""
    line = {"kind": "size", "feature": "hole-1", "lower_deviation": -0.1, "upper_deviation": 0.1}
    entry = {"id": "it", "bias": 0.03, "expanded_uncertainty": 0.02}
    found = _line(_bored((0.0, 0.0), 6.04), line, substitution=[entry])
    assert found.measured == pytest.approx(12.08 - 0.03, abs=1e-6)
    assert pytest.approx(0.02) == found.U
    assert found.details["bias_removed"] == 0.03


def test_a_substitution_in_inches_is_a_length() -> None:
    entry = {"id": "it", "bias": 0.001, "expanded_uncertainty": 0.002}
    line = {"kind": "size", "feature": "hole-1", "lower_deviation": -0.1, "upper_deviation": 0.1}
    found = _line(_bored((0.0, 0.0), 6.04), line, unit="inch", substitution=[entry])
    assert found.measured == pytest.approx(12.08 - 0.0254, abs=1e-6)

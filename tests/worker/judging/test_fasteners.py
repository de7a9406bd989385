"""Fasteners judged on simulated scans of plates whose holes and bores are known."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from shared.plan import Plan
from tests.support.shapes import deviation_of, perfect_alignment, scan_of
from tests.support.solids import box, cut, cylinder, tessellated
from worker.exhibits import Table
from worker.features.detect import detect_features
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.measuring.regions import Places, choose_regions
from worker.records import Characteristic, Nominal, Scan, SurfaceKind, Verdict

UP = (0, 0, 1)
HOLE, BORE = {"point": [20, 20, 20]}, {"point": [32, 20, 15]}
LEFT = {"point": [20, 8, 20]}
FINE_MM = 0.01  # facets of 0.04 rad, 0.0012 mm from the bore: far below U


def drawn(*, shift_mm: float = 0.0, chord_mm: float = 0.05) -> Nominal:
    """Plate of 60 x 40 x 30 mm: two blind holes of 6.8 mm, and a through bore of 12 mm that may sit off along x."""
    tools = [cylinder((20, y, 10), UP, 3.4, 30) for y in (20, 8)]
    tools.append(cylinder((32 - shift_mm, 20, -1), UP, 6, 50))
    return tessellated(
        cut(box((0, 0, 0), (60, 40, 30)), tools), with_surfaces=True, chord_mm=chord_mm, angle_rad=4 * chord_mm
    )


NOMINAL = drawn()


def top_of(nominal: Nominal) -> dict[str, Any]:
    faces = [face for face in nominal.faces if face.kind is SurfaceKind.PLANE and face.axis is not None]
    high = [face.index for face in faces if face.axis[2] > 0.9 and face.origin_mm[2] > 29]  # type: ignore[index]
    return {"name": "top", "faces": high}


def planned(nominal: Nominal, *lines: dict[str, Any], **rest: Any) -> Plan:
    given = {"firstpour_plan": "1", "regions": [top_of(nominal)], "characteristics": list(lines), **rest}
    return Plan.model_validate(given).to_mm()


def measured_of(nominal: Nominal, scan: Scan) -> Measured:
    samples, deviation = deviation_of(nominal, scan)
    features = detect_features(nominal)
    return Measured(
        nominal=nominal,
        samples=samples,
        alignment=perfect_alignment(sigma_mm=0.001),
        deviation=deviation,
        thickness=None,
        regions=choose_regions(planned(nominal), Places(nominal, samples, (), features)),
        quantum_mm=1e-5,
        features=features,
    )


@lru_cache(maxsize=8)
def scanned(shift_mm: float = 0.0, seed: int = 1, unseen: str = "") -> Measured:
    """A piece with its bore off by ``shift_mm``; unseen : the bore, or the holes, were not scanned."""
    scan = scan_of(drawn(shift_mm=shift_mm, chord_mm=FINE_MM), 30_000, seed, noise_mm=0.02)
    near = np.hypot(*(scan.points_mm[:, :2] - ((20, 20) if unseen == "holes" else (32 - shift_mm, 20))).T)
    is_in = (near < (3.6 if unseen == "holes" else 6.2)) & (np.abs(scan.points_mm[:, 2] - 15) < 14.9)
    kept = ~is_in if unseen else np.ones(len(near), dtype=bool)
    assert scan.normals is not None
    return measured_of(NOMINAL, Scan(scan.points_mm[kept], scan.normals[kept], None, "mm", 0.0))


def judged(measured: Measured, line: dict[str, Any], **rest: Any) -> Characteristic:
    return judge_plan(planned(NOMINAL, {"id": "it", **line}, **rest), measured)[0]


def table(found: Characteristic, title: str) -> Table:
    return next(one for one in found.exhibits.tables if one.title.startswith(title))


def check(found: Characteristic, name: str) -> tuple[Any, ...]:
    return next(row for row in table(found, "Checks").rows if str(row[0]).startswith(name))


M8 = {"kind": "fastener", "feature": HOLE, "thread": "M8"}


@pytest.mark.parametrize(("shift_mm", "seed"), [(0.0, 1), (0.3, 2), (-0.2, 4)])
def test_metal_is_that_of_the_piece_within_U(shift_mm: float, seed: int) -> None:
    found = judged(scanned(shift_mm, seed), M8)
    assert found.measured is not None
    assert found.U is not None
    assert abs(found.measured - (12 - 9.4 - shift_mm)) <= found.U < 0.05
    assert found.nominal == pytest.approx(2.6, abs=1e-6)
    assert found.details["toward"] == "hole-1"


@pytest.mark.parametrize(
    ("shift_mm", "seed", "least", "verdict"),
    [
        (0.3, 2, None, Verdict.DOES_NOT_CONFORM),  # 0.33 d is 2.64
        (0.3, 2, 2.2, Verdict.CONFORMS),
        (0.3, 2, 2.3, Verdict.NOT_PROVEN),
    ],
)
def test_least_metal_is_judged_with_U(shift_mm: float, seed: int, least: float | None, verdict: Verdict) -> None:
    found = judged(scanned(shift_mm, seed), {**M8, "least": least})
    assert found.verdict is verdict
    assert (found.limits_source is None) == (least is not None)


def test_the_scanners_own_uncertainty_is_in_the_budget() -> None:
    found = judged(scanned(0.3, 2), M8, scanner={"expanded_uncertainty": 0.04})
    assert found.budget["scanner"] == pytest.approx(0.02)
    assert set(found.budget) >= {"fit of the hole", "scan noise", "form of the hole", "facets of nominal"}


def test_a_bore_that_was_not_scanned_lets_nothing_pass() -> None:
    """The walls that were seen have 16 mm; the bore that was not may lie anywhere."""
    found = judged(scanned(0.0, 1, "bore"), {**M8, "least": 2.0})
    assert found.verdict is Verdict.NOT_PROVEN
    assert "hole-1" in str(found.reason)
    row = next(row for row in table(found, "Metal round").rows if row[0] == "hole-1")
    assert row[1] is None
    assert row[4] == pytest.approx(2.6, abs=1e-6)


def test_a_hole_that_was_not_scanned_shows_the_cads_metal_and_no_verdict() -> None:
    found = judged(scanned(0.0, 1, "holes"), M8)
    assert found.verdict is Verdict.NOT_MEASURED
    assert found.measured is None
    assert "the piece was not measured" in found.exhibits.tables[0].title


def test_checks_name_their_rules_and_outcomes() -> None:
    """Edge 20 mm against 1.5 d, spacing 12 mm against 2.5 d (common practice); 6.8 mm leaves 73.9 % (from memory)."""
    found = judged(scanned(0.0, 1), {**M8, "clamp_length": 20, "head_diameter": 13})
    assert check(found, "axis to the nearest outside edge")[1:2] == pytest.approx((20.0,), abs=0.03)
    assert check(found, "axis to the nearest outside edge")[-1] == "met"
    assert check(found, "axis to axis of hole-1")[1] == pytest.approx(12.0, abs=0.02)
    assert check(found, "axis to axis of hole-1")[-1] == "not met"
    assert check(found, "percent of full thread")[4] == pytest.approx(73.9, abs=1.0)
    assert check(found, "depth of the hole")[1] == pytest.approx(20.0, abs=0.03)
    assert check(found, "depth of the hole")[-1] == "met"  # 2 d
    assert check(found, "cone of")[-1] == "cones meet"
    assert all("no source" in str(row[5]) or "VDI" in str(row[5]) for row in table(found, "Checks").rows)


def test_strengths_ask_for_more_thread_than_the_rule_of_thumb() -> None:
    """M8 8.8 (800 MPa) into 228 MPa: FED-STD-H28/2B, 6g/6H limits from memory."""
    found = judged(scanned(0.0, 1), {**M8, "strength_internal_mpa": 120, "strength_external_mpa": 1040})
    row = check(found, "depth of the hole")
    assert row[3] == pytest.approx(6.0206 * 0.72265 * 1040 / 120, abs=0.01)
    assert row[-1] == "not met"
    assert "FED-STD-H28/2B" in str(row[5])


def test_the_next_size_is_kept_only_with_its_own_metal() -> None:
    """In place of M6 there is 2.6 - (6.8 - 6.8)/2 = 2.6 mm for M8's 2.64; with 1 mm asked for, M8 and M10 fit."""
    line = {"kind": "fastener", "feature": HOLE, "thread": "M6", "joint": "tapped"}
    plain, thin = judged(scanned(0.0, 1), line), judged(scanned(0.0, 1), {**line, "least": 1.0})
    assert plain.details["largest_metric_that_keeps_metal_and_edge"] == "none"
    assert thin.details["largest_metric_that_keeps_metal_and_edge"] == "M10x1.5"  # M12: 2.6 - 1.7 = 0.9
    assert table(thin, "Larger").rows[0][1] == pytest.approx(2.6, abs=0.02)


def test_a_hole_that_breaks_into_a_bore_has_no_metal() -> None:
    """The bore 9 mm off, where both radii come to 9.4."""
    broken = drawn(shift_mm=3.0)
    measured = measured_of(broken, scan_of(broken, 30_000, 5, noise_mm=0.01))
    found = judge_plan(planned(broken, {"id": "it", **M8}), measured)[0]
    assert (found.measured, found.nominal) == (0.0, 0.0)
    assert found.verdict is Verdict.DOES_NOT_CONFORM
    assert "opens into" in str(found.details["caution"])


def test_a_bore_that_ran_into_the_hole_is_never_a_pass() -> None:
    """Off by 3 mm, of which the scan shows what pairing reaches."""
    assert judged(scanned(3.0, 5), {**M8, "least": 0.5}).verdict is not Verdict.CONFORMS


def test_no_report_calls_a_fastener_safe() -> None:
    found = judged(scanned(0.0, 1), M8)
    assert "licensed practice" in str(found.details["caution"])
    assert "safe" not in repr((found.details, found.exhibits, found.reason)).lower()


def test_the_largest_gap_of_a_line_is_that_of_the_piece() -> None:
    line = {"kind": "fastener_line", "features": [HOLE, BORE, LEFT], "most": 17.0}
    found = judged(scanned(0.3, 2), line)
    truth = np.hypot(12 - 0.3, 12)
    assert found.measured is not None
    assert found.U is not None
    assert abs(found.measured - truth) <= found.U < 0.05
    assert found.nominal == pytest.approx(np.hypot(12, 12))
    assert found.verdict is Verdict.CONFORMS
    assert [row[2] for row in table(found, "Gaps").rows] == pytest.approx([11.7, truth], abs=0.02)


@pytest.mark.parametrize(("closed", "nominal_mm", "rows"), [(False, 16.9706, 2), (True, 16.9706, 3)])
def test_a_closed_line_counts_its_last_gap(closed: bool, nominal_mm: float, rows: int) -> None:
    line = {"kind": "fastener_line", "features": [HOLE, BORE, LEFT], "closed": closed, "most": 16.0}
    found = judged(scanned(0.0, 1), line)
    assert found.nominal == pytest.approx(nominal_mm, abs=1e-4)
    assert len(table(found, "Gaps").rows) == rows
    assert found.verdict is Verdict.DOES_NOT_CONFORM


def test_the_gap_of_two_holes_is_as_sure_as_their_distance() -> None:
    gap = judged(scanned(0.3, 2), {"kind": "fastener_line", "features": [HOLE, BORE], "most": 17.0})
    own = judged(scanned(0.3, 2), {"kind": "distance", "first": HOLE, "second": BORE, "upper_deviation": 1.0})
    assert gap.measured == pytest.approx(own.measured)
    assert pytest.approx(own.U) == gap.U


def test_a_line_with_an_unseen_hole_is_not_measured() -> None:
    found = judged(scanned(0.0, 1, "holes"), {"kind": "fastener_line", "features": [HOLE, BORE], "most": 17.0})
    assert found.verdict is Verdict.NOT_MEASURED


@pytest.mark.parametrize(
    "line",
    [
        {"kind": "fastener", "feature": "plane-1", "thread": "M8"},
        {"kind": "fastener_line", "features": ["plane-1", HOLE], "most": 5},
    ],
)
def test_what_is_no_hole_is_refused(line: dict[str, Any]) -> None:
    with pytest.raises(PlanInvalid, match="is no hole"):
        judged(scanned(0.0, 1), line)


@pytest.mark.parametrize(
    "line",
    [
        {"kind": "fastener", "feature": HOLE, "thread": "M8x9"},
        {"kind": "fastener", "feature": HOLE, "thread": "M8", "clamp_length": 5},
        {"kind": "fastener", "feature": HOLE, "thread": "M8", "strength_internal_mpa": 5},
        {"kind": "fastener_line", "features": [HOLE], "most": 5},
        {"kind": "fastener_line", "features": [HOLE, HOLE], "most": 5},
        {"kind": "fastener_line", "features": [HOLE, BORE], "closed": True, "most": 5},
        {"kind": "fastener_sites", "region": "elsewhere", "thread": "M8", "depth": 5},
    ],
)
def test_a_plan_that_asks_for_nonsense_is_refused(line: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="valid"):
        planned(NOMINAL, {"id": "it", **line})

"""Sites for fasteners on a narrow strip, counted by hand.

A strip of 100 x 18.4 x 20 mm with one hole in its middle.  For M6 with 9 mm to the edge and 15 mm apart, axes fit
only within 0.4 mm of its middle line, from 9 to 35 mm and from 65 to 91 mm: two sites each.
"""

from __future__ import annotations

import csv
import io
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from shared.plan import Plan
from tests.support.shapes import deviation_of, perfect_alignment, scan_of
from tests.support.solids import box, cut, cylinder, tessellated
from worker.features.detect import detect_features
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.measuring.regions import Places, choose_regions
from worker.records import Characteristic, Nominal, Scan, SurfaceKind, Verdict

MIDDLE = cylinder((50, 9.2, 8), (0, 0, 1), 2.5, 20)
SITES = {"kind": "fastener_sites", "region": "top", "thread": "M6", "depth": 10, "least": 2, "spacing": 15, "edge": 8.9}


def strip(bore: tuple[float, float, float] | None, chord_mm: float = 0.05) -> Nominal:
    """bore : x and z of a crossing bore along y, and its radius."""
    tools = [MIDDLE]
    if bore is not None:
        tools.append(cylinder((bore[0], -1, bore[1]), (0, 1, 0), bore[2], 30))
    body = cut(box((0, 0, 0), (100, 18.4, 20)), tools)
    return tessellated(body, with_surfaces=True, chord_mm=chord_mm, angle_rad=4 * chord_mm)


def planned(nominal: Nominal, line: dict[str, Any] | None = None) -> Plan:
    flat = [face for face in nominal.faces if face.kind is SurfaceKind.PLANE and face.axis is not None]
    top = [face.index for face in flat if face.axis[2] > 0.9 and face.origin_mm[2] > 19]  # type: ignore[index]
    side = [face.index for face in flat if face.axis[1] > 0.9]  # type: ignore[index]
    regions = [{"name": "top", "faces": top}, {"name": "corner", "faces": [*top, *side]}]
    lines = [] if line is None else [{"id": "it", **line}]
    return Plan.model_validate({"firstpour_plan": "1", "regions": regions, "characteristics": lines}).to_mm()


@lru_cache(maxsize=8)
def scanned(
    bore: tuple[float, float, float] | None, actual: tuple[float, float, float] | None, seen_from_mm: float = 0.0
) -> Measured:
    """seen_from_mm : nothing below this x was scanned, but the top."""
    nominal = strip(bore)
    scan = scan_of(strip(actual, chord_mm=0.01), 30_000, 1, noise_mm=0.01)
    assert scan.normals is not None
    kept = (scan.points_mm[:, 0] >= seen_from_mm) | (scan.normals[:, 2] > 0.99)
    samples, deviation = deviation_of(nominal, Scan(scan.points_mm[kept], scan.normals[kept], None, "mm", 0.0))
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


def judged(measured: Measured, **changes: Any) -> Characteristic:
    return judge_plan(planned(measured.nominal, {**SITES, **changes}), measured)[0]


LOW = (15.0, 12.0, 5.0)


@pytest.mark.parametrize(
    ("bore", "changes", "count"),
    [
        (None, {}, 4),
        (None, {"depth": 16}, 0),  # 4 mm to the bottom, less the radius of 2.5: 1.5 of metal
        (None, {"depth": 15.4}, 4),  # 2.1
        (None, {"spacing": 27}, 2),  # 9 to 23 mm and 77 to 91 mm: 14 mm hold one each
        (None, {"spacing": 42}, 0),  # the hole in the middle keeps all away
        (LOW, {}, 3),  # no axis within 9.5 mm of 15: of 9 to 35 only 24.5 to 35 is left
        (LOW, {"least": 1.0, "depth": 3}, 3),  # its top is 3 mm down: 21.9 to 35 is left
        ((18.9, 12.0, 5.0), {}, 4),  # 8.9 to 9.4 and 28.4 to 35 are left
    ],
)
def test_sites_are_as_many_as_fit_by_hand(
    bore: tuple[float, float, float] | None, changes: dict[str, Any], count: int
) -> None:
    found = judged(scanned(bore, bore), **changes)
    assert found.nominal == count
    assert found.measured == count
    assert found.U == 0
    assert found.unit == "count"


@pytest.mark.parametrize(("wanted", "verdict"), [(4, Verdict.CONFORMS), (5, Verdict.DOES_NOT_CONFORM)])
def test_the_count_is_judged_against_what_is_wanted(wanted: int, verdict: Verdict) -> None:
    assert judged(scanned(None, None), required_count=wanted).verdict is verdict


def test_a_bore_that_sits_off_takes_a_site_on_the_piece() -> None:
    """Off by 0.7 mm toward the end, where the CAD left half a millimetre."""
    found = judged(scanned((18.9, 12.0, 5.0), (18.2, 12.0, 5.0)))
    assert found.nominal == 4
    assert found.measured == 3


def test_each_site_keeps_its_minima_with_U() -> None:
    found = judged(scanned(LOW, LOW))
    rows = found.exhibits.tables[0].rows
    assert len(rows) == found.measured
    assert all(row[3] - row[4] >= 2 for row in rows)  # type: ignore[operator]
    assert [row[3] for row in rows] == sorted((row[3] for row in rows), reverse=True)  # type: ignore[type-var]
    assert len(found.exhibits.marks) == len(rows)
    assert all(8.9 <= row[1] <= 9.5 for row in rows)  # type: ignore[operator]


def test_the_whole_map_is_taken_along() -> None:
    found = judged(scanned(LOW, LOW))
    attached = found.exhibits.attachments[0]
    rows = list(csv.DictReader(io.StringIO(attached.content.decode())))
    assert attached.name == "sites.csv"
    assert len(rows) == found.details["candidate_count"]
    assert {row["outcome"] for row in rows} == {"site", "no site"}
    over_bore = [row for row in rows if abs(float(row["x_mm"]) - 15) < 1 and row["toward"].startswith("hole")]
    assert over_bore
    assert {row["outcome"] for row in over_bore} == {"no site"}


def test_metal_of_the_map_is_that_of_the_drawing() -> None:
    """Sides, ends, the hole in the middle and the bottom 10 mm below the drill's end, less its radius."""
    found = judged(scanned(None, None))
    rows = list(csv.DictReader(io.StringIO(found.exhibits.attachments[0].content.decode())))
    y = np.array([float(row["y_mm"]) for row in rows])
    x = np.array([float(row["x_mm"]) for row in rows])
    cad = np.array([float(row["cad_metal_mm"]) for row in rows])
    sides = np.minimum.reduce([y, 18.4 - y, x, 100 - x])
    hole = np.hypot(x - 50, y - 9.2) - 2.5
    assert cad == pytest.approx(np.minimum(np.minimum(sides, np.abs(hole)), 10.0) - 2.5, abs=0.02)  # facets


def test_places_near_unscanned_surface_are_told_apart_and_not_counted() -> None:
    """The sides have 6.7 mm of metal: less than the 4 wanted and the 3 that unseen surface may be off by."""
    found = judged(scanned(None, None, 40.0), least=4)
    assert found.measured == 2
    assert found.details["not_proven_count"] == 2
    assert found.exhibits.tables[1].title.startswith("Not proven")
    assert all(float(row[0]) < 40 for row in found.exhibits.tables[1].rows)  # type: ignore[arg-type]


def test_sites_that_a_further_scan_may_show_are_not_counted_out() -> None:
    found = judged(scanned(None, None, 40.0), least=4, required_count=3)
    assert found.verdict is Verdict.NOT_MEASURED
    assert "scan there" in str(found.reason)


def test_a_region_of_two_planes_is_refused() -> None:
    with pytest.raises(PlanInvalid, match="no plane face"):
        judged(scanned(None, None), region="corner")


def test_what_the_plan_leaves_out_is_common_practice() -> None:
    """0.33 d, 2.5 d and 1.5 d of M6; drill 5 mm: from memory and common practice, no source."""
    line = {key: value for key, value in SITES.items() if key not in ("least", "spacing", "edge")}
    measured = scanned(None, None)
    found = judge_plan(planned(measured.nominal, line), measured)[0]
    kept = [found.details[name] for name in ("metal_kept_length_mm", "spacing_kept_length_mm", "edge_kept_length_mm")]
    assert kept == pytest.approx([1.98, 15.0, 9.0])
    assert found.details["drill_diameter_mm"] == pytest.approx(5.0)
    assert "licensed practice" in str(found.details["caution"])

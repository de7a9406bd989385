"""The wall between two regions, and room to cut back, through the judge."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
import trimesh

from shared.errors import PlanInvalid
from shared.plan import Plan
from tests.support.walls import Fault, drilled, inspected, shifted
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.judging.nominal_walls import skin_of_region
from worker.judging.piece_walls import skin_of_piece
from worker.records import Characteristic, Verdict
from worker.rigid import RigidTransform

QUICK = 30_000  # points
STILL: Mapping[str, RigidTransform] = {}


def _plan(*lines: dict[str, Any], **rest: Any) -> Plan:
    """With a region of each name spoken of; the regions themselves are made by ``inspected``."""
    names = {line[key] for line in lines for key in ("region", "toward") if key in line}
    names |= {wall["toward"] for line in lines for wall in line.get("walls", ())}
    regions = [{"name": name, "faces": [0]} for name in sorted(names)]
    return Plan.model_validate({"firstpour_plan": "1", "regions": regions, "characteristics": list(lines), **rest})


def _between(measured: Measured, region: str, toward: str, *, least: float = 1.0, **rest: Any) -> Characteristic:
    line = {"id": "w", "kind": "wall_between", "region": region, "toward": toward, "least": least}
    return judge_plan(_plan(line, **rest), measured)[0]


def _room(measured: Measured, region: str, *walls: tuple[str, float], required: float = 0.0) -> Characteristic:
    kept = [{"toward": toward, "least": least} for toward, least in walls]
    line = {"id": "r", "kind": "room_to_remove", "region": region, "walls": kept, "required": required}
    return judge_plan(_plan(line), measured)[0]


@lru_cache(maxsize=12)
def _piece(
    kind: str, moves: tuple[tuple[str, float, float, float], ...] = (), unseen: tuple[str, ...] = ()
) -> Measured:
    roofed = dict.fromkeys(("ball", "narrow", "pocket"), ("one", "top"))
    names = {"tube": ("one", "outside"), "plate": ("top", "bottom"), **roofed}.get(kind, ("one", "other"))
    motions = {name: shifted(x, y, z) for name, x, y, z in moves}
    return inspected(drilled(kind), Fault(motions=motions, unseen=unseen, count=QUICK), *names)


CASES = [  # shape, regions, what is out of place, wall of the CAD and of the piece
    ("parallel", "one", "other", (("one", 0.5, 0.0, 0.0),), 3.0, 2.5),  # axes 14 apart, radii 6 and 5
    ("skew", "one", "other", (("one", 0.0, 0.0, 0.4),), 2.0, 1.6),  # axes 13 apart, radii 6 and 5
    ("ball", "one", "top", (("one", 0.0, 0.0, 0.3), ("top", 0.0, 0.0, -0.3)), 2.5, 1.9),
    ("tube", "one", "outside", (("one", 0.4, 0.0, 0.0),), 3.0, 2.6),  # R_o - R_i - e of eccentric bores
    ("plate", "top", "bottom", (("top", 0.0, 0.0, 0.3),), 5.0, 5.3),
    ("pocket", "one", "top", (("one", 0.1, -0.1, -0.2),), 5.0, 5.2),  # past its roof's edge the wall bends away
    ("narrow", "one", "top", (("one", 0.0, 0.0, 0.3),), 3.1, 2.8),  # middle 6.5 under the top, radius 3.4
]


@pytest.mark.parametrize(("kind", "region", "toward", "moves", "nominal", "actual"), CASES)
def test_wall_of_the_cad_is_exact_and_that_of_the_piece_within_its_uncertainty(  # noqa: PLR0913, PLR0917
    kind: str, region: str, toward: str, moves: Any, nominal: float, actual: float
) -> None:
    """Closed forms: distance of axes less both radii; of eccentric bores R_o - R_i - e."""
    found = _between(_piece(kind, moves), region, toward)
    assert found.nominal == pytest.approx(nominal, abs=1e-6)
    assert found.measured is not None
    assert found.U is not None
    assert abs(found.measured - actual) < found.U < 0.06
    assert found.verdict is Verdict.CONFORMS


@pytest.mark.parametrize(("kind", "region", "toward", "moves", "nominal", "actual"), CASES)
def test_room_is_the_wall_above_its_minimum_where_it_lies_straight_behind(  # noqa: PLR0913, PLR0917
    kind: str, region: str, toward: str, moves: Any, nominal: float, actual: float
) -> None:
    found = _room(_piece(kind, moves), region, (toward, 1.2))
    assert found.nominal == pytest.approx(nominal - 1.2, abs=1e-6)
    assert found.measured == pytest.approx(actual - 1.2, abs=found.U)
    assert "sonic check" in str(found.details["caution"])


@pytest.mark.parametrize("up_mm", [0.0, 0.3])
def test_a_bore_rounder_than_a_quadratic_keeps_its_wall(up_mm: float) -> None:
    """Almost without noise, so that what a fit does to the figure shows."""
    fault = Fault(motions={"one": shifted(z=up_mm)}, noise_mm=0.001, count=QUICK)
    measured = inspected(drilled("narrow"), fault, "one", "top")
    assert _between(measured, "one", "top").measured == pytest.approx(3.1 - up_mm, abs=0.015)


@pytest.mark.parametrize(
    ("least", "verdict"), [(2.3, Verdict.CONFORMS), (2.5, Verdict.NOT_PROVEN), (2.7, Verdict.DOES_NOT_CONFORM)]
)
def test_a_wall_is_judged_against_its_least(least: float, verdict: Verdict) -> None:
    assert _between(_piece(*CASES[0][:1], CASES[0][3]), "one", "other", least=least).verdict is verdict


def test_where_one_skin_was_not_scanned_the_cads_stands_in_and_nothing_passes() -> None:
    found = _between(_piece("parallel", (("one", 0.5, 0.0, 0.0),), ("other",)), "one", "other")
    assert found.measured == pytest.approx(2.5, abs=0.05)
    assert found.verdict is Verdict.NOT_PROVEN
    assert "'other' is taken as the CAD has it" in str(found.reason)
    assert found.details["seen_share"] == 0.0


@pytest.mark.parametrize(
    "judge", [lambda m: _between(m, "one", "other", least=2.8), lambda m: _room(m, "one", ("other", 2.8))]
)
def test_what_rests_on_the_cad_for_a_skin_not_scanned_does_not_fail_either(judge: Any) -> None:
    found = judge(_piece("parallel", (("one", 0.5, 0.0, 0.0),), ("other",)))
    assert found.verdict is Verdict.NOT_PROVEN
    assert "taken as the CAD has it" in str(found.reason)


@pytest.mark.parametrize("judge", [lambda m: _between(m, "one", "other"), lambda m: _room(m, "one", ("other", 1.0))])
def test_where_neither_skin_was_scanned_there_is_no_figure(judge: Any) -> None:
    found = judge(_piece("parallel", (), ("one", "other")))
    assert found.verdict is Verdict.NOT_MEASURED
    assert found.measured is None
    assert "shows n" in str(found.reason)


def test_room_toward_an_unscanned_wall_is_not_proven() -> None:
    found = _room(_piece("parallel", (), ("other",)), "one", ("other", 1.0))
    assert found.verdict is Verdict.NOT_PROVEN
    assert "'other' was not scanned" in str(found.reason)


def test_regions_that_meet_have_no_wall_between_them_and_the_plan_is_told() -> None:
    measured = inspected(drilled("parallel"), Fault(count=QUICK), "one", "top")
    with pytest.raises(PlanInvalid, match="meet in the CAD"):
        _between(measured, "one", "top")


def test_a_gap_of_air_is_no_wall() -> None:
    """The flats of a slot look at each other through air."""
    measured = inspected(drilled("slot"), Fault(count=QUICK), "left", "right")
    with pytest.raises(PlanInvalid, match="no material lies between"):
        _between(measured, "left", "right")


@pytest.mark.parametrize(("required", "verdict"), [(0.2, Verdict.CONFORMS), (0.5, Verdict.DOES_NOT_CONFORM)])
def test_room_is_judged_against_what_is_wanted(required: float, verdict: Verdict) -> None:
    piece = _piece("parallel", (("one", 0.5, 0.0, 0.0),))
    assert _room(piece, "one", ("other", 2.2), required=required).verdict is verdict


def test_a_wall_too_thin_already_leaves_negative_room() -> None:
    found = _room(_piece("parallel", (("one", 0.5, 0.0, 0.0),)), "one", ("other", 2.8))
    assert found.measured == pytest.approx(-0.3, abs=0.05)
    assert found.verdict is Verdict.DOES_NOT_CONFORM


def test_room_nothing_limits_is_given_as_no_more_than_was_looked_for() -> None:
    measured = inspected(drilled("ball"), Fault(count=QUICK), "one", "bottom")
    found = _room(measured, "one", ("bottom", 1.0))
    assert found.measured == pytest.approx(6.0)
    assert "no more was looked for" in str(found.details["room"])


def test_the_scanners_own_uncertainty_counts() -> None:
    piece = _piece("parallel", (("one", 0.5, 0.0, 0.0),))
    found = _between(piece, "one", "other", scanner={"expanded_uncertainty": 0.1})
    assert found.budget["scanner"] == pytest.approx(0.05)
    assert found.U is not None
    assert found.U > 0.1


def test_between_two_skins_of_one_piece_the_pose_drops_out_and_against_the_cads_it_counts() -> None:
    seen, half = _piece("parallel", ()), _piece("parallel", (), ("other",))
    assert "alignment" not in _between(seen, "one", "other").budget
    assert "alignment" in _between(half, "one", "other").budget


def test_a_moved_copy_keeps_what_stayed_and_measures_anew_what_moved() -> None:
    measured = _piece("parallel")
    assert measured.deviation is not None
    grown = measured.deviation.distance_mm + 0.2 * measured.region("one").is_member
    moved = replace(measured, deviation=replace(measured.deviation, distance_mm=grown), before=measured)
    before, after = _between(measured, "one", "other"), _between(moved, "one", "other")
    assert before.measured is not None
    assert after.measured == pytest.approx(before.measured + 0.2, abs=0.01)
    assert after.nominal == before.nominal
    skins = [skin_of_region(name, moved) for name in ("one", "other")]
    pieces = [skin_of_piece(name, skin, moved) for name, skin in zip(("one", "other"), skins, strict=True)]  # type: ignore[arg-type]
    assert pieces[1] is skin_of_piece("other", skins[1], measured)  # type: ignore[arg-type]
    assert pieces[0] is not skin_of_piece("one", skins[0], measured)  # type: ignore[arg-type]


def test_thin_places_are_listed_with_both_walls_and_lines_across_them() -> None:
    found = _between(_piece("skew", CASES[1][3]), "one", "other", least=1.5)
    (table,) = found.exhibits.tables
    assert table.rows[0][3] == pytest.approx(2.0, abs=0.05)
    assert table.rows[0][4] == found.measured
    assert table.rows[0][8] == "both sides"
    ends = found.exhibits.marks[0].points_mm
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(1.6, abs=0.1)


def test_curves_show_the_cad_beside_the_piece() -> None:
    (plot,) = _between(_piece("plate", CASES[4][3]), "top", "bottom", least=4.0).exhibits.plots
    assert [curve.name for curve in plot.curves] == ["CAD", "piece"]
    assert [np.median(curve.y) for curve in plot.curves] == pytest.approx([5.0, 5.3], abs=0.02)
    assert plot.limits == (4.0,)


def test_the_map_of_room_is_read_by_other_programs() -> None:
    ply, table = _room(_piece("skew", ()), "one", ("other", 1.2)).exhibits.attachments
    mesh = trimesh.load(io.BytesIO(ply.content), file_type="ply", process=False)
    room = np.asarray(mesh.metadata["_ply_raw"]["vertex"]["data"]["room_mm"]).reshape(-1)
    assert np.nanmin(room) == pytest.approx(0.8, abs=0.1)
    assert len(mesh.faces) > 1000
    head, *rows = table.content.decode().splitlines()
    assert head == "x,y,z,nx,ny,nz,room_mm,U_mm,is_measured"
    assert len(rows) == len(mesh.vertices)


def test_what_was_not_seen_has_no_room_in_the_files() -> None:
    _, table = _room(_piece("parallel", (), ("other",)), "one", ("other", 1.0)).exhibits.attachments
    rows = [row.split(",") for row in table.content.decode().splitlines()[1:]]
    assert {(row[6], row[7], row[8]) for row in rows} == {("", "", "0")}

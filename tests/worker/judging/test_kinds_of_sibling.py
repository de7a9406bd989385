from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from tests.support.guide_corner import DOWELS, GUIDE, WRONG, Faults, judged, measured
from tests.support.twin_guides import TWIN_REGIONS, Twins, twins
from worker.records import Verdict

MIRRORED: dict[str, Any] = {
    "kind": "sibling_offset",
    "feature": DOWELS[0],
    "sibling": DOWELS[1],
    "mirror": "x",
    "most": 0.1,
}
SECOND_ORDER_MM = 0.32**2 / (2 * 9.0)  # of throats of 9 mm radius moved along their normals instead of sideways
ALIKE = Faults(dowels_mm=((0.3, 0.1), (-0.3, 0.1)))  # mirror images of each other


@pytest.mark.parametrize(
    ("faults", "change", "apart_mm", "verdict"),
    [
        (WRONG, {}, np.hypot(0.3 - 0.1, 0.1 - 0.05), Verdict.DOES_NOT_CONFORM),
        (WRONG, {"direction": "y"}, 0.05, Verdict.CONFORMS),
        (WRONG, {"mirror": "none"}, np.hypot(0.3 + 0.1, 0.1 - 0.05), Verdict.DOES_NOT_CONFORM),
        (ALIKE, {}, 0.0, Verdict.CONFORMS),
        (ALIKE, {"mirror": "none"}, 0.6, Verdict.DOES_NOT_CONFORM),
    ],
)
def test_siblings_differ_by_what_was_planted(
    faults: Faults, change: dict[str, str], apart_mm: float, verdict: Verdict
) -> None:
    found = judged(measured(faults), {**MIRRORED, **change})
    assert found.measured == pytest.approx(apart_mm, abs=1e-6)
    assert found.verdict is verdict


def test_the_worse_placed_one_is_named_with_both_lengths() -> None:
    found = judged(measured(WRONG), MIRRORED)
    assert found.details["worse_placed"] == "hole-3 lies 0.32 mm off, its sibling hole-4 0.11 mm"
    (table,) = found.exhibits.tables
    assert [row[0] for row in table.rows] == ["hole-3", "hole-4, mirrored", "difference"]
    assert table.rows[2][1:4] == pytest.approx([0.2, 0.05, 0.0], abs=1e-6)


@pytest.mark.parametrize("seed", [1, 2])
def test_noise_stays_within_U(seed: int) -> None:
    found = judged(measured(WRONG, seed, 0.02), MIRRORED)
    assert found.U is not None
    assert abs(float(found.measured or 0.0) - float(np.hypot(0.2, 0.05))) < 1.5 * found.U  # k = 3 instead of 2


@pytest.mark.parametrize(("mirror", "direction", "times"), [("none", "x", 0.0), ("x", "x", 2.0), ("x", "y", 0.0)])
def test_what_moves_both_alike_drops_out_and_a_mirrored_shift_counts_twice(
    mirror: str, direction: str, times: float
) -> None:
    piece, sigma_mm = measured(WRONG), 0.03
    freedom = piece.alignment.freedom
    assert freedom is not None
    unsure = replace(freedom, covariance=np.diag([0.0, 0.0, 0.0, *[sigma_mm**2] * 3]))
    moved = replace(piece, alignment=replace(piece.alignment, freedom=unsure))
    found = judged(moved, {**MIRRORED, "mirror": mirror, "direction": direction})
    assert found.budget["alignment"] == pytest.approx(times * sigma_mm, abs=1e-9)


IN_PORTS: dict[str, Any] = {
    "kind": "sibling_offset",
    "feature": {"point": [20, 20, 30]},
    "sibling": {"point": [70, 20, 30]},
    "section": {"region": "left", "point": [20, 20, 10]},
    "sibling_section": {"region": "right", "point": [70, 20, 10]},
    "mirror": "x",
    "most": 0.1,
}


@pytest.mark.parametrize(
    ("throats_mm", "change", "apart_mm"),
    [
        (((0.2, 0.1), (-0.2, 0.1)), {}, 0.0),
        (((0.2, 0.1), (-0.2, 0.1)), {"mirror": "none"}, 0.4),
        (((0.3, 0.0), (0.1, 0.0)), {}, 0.4),
        (((0.3, -0.1), (0.0, 0.2)), {"direction": "y"}, 0.3),
    ],
)
def test_guides_are_compared_in_their_own_ports(
    throats_mm: tuple[tuple[float, float], tuple[float, float]], change: dict[str, Any], apart_mm: float
) -> None:
    """The guides sit where they are drawn; each throat lies off by what was planted, so that the guide is off in it."""
    found = judged(twins(Twins(*throats_mm)), {**IN_PORTS, **change}, regions=TWIN_REGIONS)
    assert found.measured == pytest.approx(apart_mm, abs=SECOND_ORDER_MM)
    assert found.verdict is (Verdict.CONFORMS if apart_mm < 0.1 else Verdict.DOES_NOT_CONFORM)


@pytest.mark.parametrize("seed", [1, 2])
def test_noise_of_guides_in_their_ports_stays_within_U(seed: int) -> None:
    found = judged(twins(Twins((0.3, 0.1), (0.1, -0.1)), seed, 0.02), IN_PORTS, regions=TWIN_REGIONS)
    assert abs(float(found.measured or 0.0) - float(np.hypot(0.4, 0.2))) < 1.5 * float(found.U or 0.0)  # k = 3
    assert {"scan noise of hole-3", "scan noise of hole-4"} <= set(found.budget)


def test_a_section_that_a_sibling_has_not_is_refused_by_name() -> None:
    high = {"region": "right", "point": [70, 20, 35]}
    with pytest.raises(PlanInvalid, match="does not cut region right"):
        judged(twins(Twins()), {**IN_PORTS, "sibling_section": high}, regions=TWIN_REGIONS)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"sibling": DOWELS[0]}, "no sibling of itself"),
        ({"sibling": {"face_name": "chamber"}}, "of different kinds"),
        ({"sibling": GUIDE}, "are not mirror images along x"),
        ({"sibling": GUIDE, "mirror": "none"}, "are not parallel"),
    ],
)
def test_what_is_no_sibling_is_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanInvalid, match=words):
        judged(measured(), {**MIRRORED, **change})

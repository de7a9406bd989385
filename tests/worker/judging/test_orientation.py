"""Orientation and run-out against closed forms."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from shared.errors import PlanInvalid
from shared.plan import Plan
from tests.support.shapes import bored_block, deviation_of, perfect_alignment, scan_of
from worker.features.detect import detect_features
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.records import Characteristic, Floats, Scan, Verdict

SIZE = (40.0, 30.0, 20.0)
PART = bored_block(SIZE, 6.0)
FEATURES = detect_features(PART)
NOISE_MM = 0.005


def _plane(direction: tuple[float, float, float]) -> str:
    """Id of the plane that faces that way."""
    return next(item.id for item in FEATURES if item.direction is not None and np.allclose(item.direction, direction))


TOP, BOTTOM = _plane((0.0, 0.0, 1.0)), _plane((0.0, 0.0, -1.0))


def _scan(tilt_rad: float = 0.0, lean_rad: float = 0.0, aside_mm: float = 0.0) -> Measured:
    """The part with its top tilted about y, its bore leaning about y through mid height and set aside along x."""
    scan = scan_of(PART, 30_000, 3, noise_mm=NOISE_MM)
    assert scan.normals is not None
    points, normals = scan.points_mm.copy(), scan.normals
    is_top = normals[:, 2] > 0.9
    is_bore = (np.abs(normals[:, 2]) < 0.5) & (np.hypot(points[:, 0], points[:, 1]) < 7.0)
    points[is_top, 2] += np.tan(tilt_rad) * points[is_top, 0]
    points[is_bore, 0] += aside_mm + np.tan(lean_rad) * (points[is_bore, 2] - 10.0)
    return _measured(Scan(points, normals, None, "mm", 0.0))


def _measured(scan: Scan) -> Measured:
    samples, deviation = deviation_of(PART, scan)
    return Measured(
        nominal=PART,
        samples=samples,
        alignment=replace(perfect_alignment(None, sigma_mm=0.001)),
        deviation=deviation,
        thickness=None,
        regions=(),
        quantum_mm=0.0,
        features=FEATURES,
    )


def _line(measured: Measured, datum: Any, **line: Any) -> Characteristic:
    plan = Plan.model_validate(
        {
            "firstpour_plan": "1",
            "datums": [{"letter": "A", "feature": datum, "reference": "least_squares"}],
            "characteristics": [{"id": "it", "datum": "A", **line}],
        }
    )
    return judge_plan(plan, measured)[0]


def _holds(found: Characteristic, truth_mm: float) -> bool:
    """Within three standard uncertainties: one case is no test of coverage, which has a benchmark of its own."""
    assert found.measured is not None, found.reason
    assert found.U is not None
    return abs(found.measured - truth_mm) <= 1.5 * found.U


@pytest.mark.parametrize("tilt", [0.0, 0.002, 0.005])
def test_parallelism_of_a_tilted_plane_is_its_rise_over_its_length(tilt: float) -> None:
    """A plane 40 mm long tilted by t needs a zone of 40 sin t (ISO 1101)."""
    found = _line(_scan(tilt_rad=tilt), BOTTOM, kind="parallelism", feature=TOP, zone=0.3)
    assert _holds(found, SIZE[0] * float(np.sin(tilt)))
    assert found.U is not None
    assert found.U < 0.02


@pytest.mark.parametrize("lean", [0.0, 0.003, 0.006])
def test_perpendicularity_of_a_leaning_bore_is_its_run_over_its_depth(lean: float) -> None:
    """A bore 20 mm deep that leans by t needs a cylinder of 20 tan t (ISO 1101)."""
    found = _line(_scan(lean_rad=lean), BOTTOM, kind="perpendicularity", feature="hole-1", zone=0.3)
    assert _holds(found, SIZE[2] * float(np.tan(lean)))
    assert found.frame is not None


def test_a_zone_exceeded_beyond_doubt_does_not_conform() -> None:
    found = _line(_scan(lean_rad=0.01), BOTTOM, kind="perpendicularity", feature="hole-1", zone=0.1)
    assert found.verdict is Verdict.DOES_NOT_CONFORM


@pytest.mark.parametrize(
    ("kind", "feature"), [("perpendicularity", TOP), ("parallelism", "hole-1"), ("circular_runout", TOP)]
)
def test_a_word_that_does_not_fit_the_cad_is_refused(kind: str, feature: str) -> None:
    with pytest.raises(PlanInvalid, match="characteristic it"):
        _line(_scan(), BOTTOM, kind=kind, feature=feature, zone=0.1)


@pytest.mark.parametrize(("kind", "turns"), [("circular_runout", 1.0), ("total_runout", 1.0)])
def test_runout_of_a_face_square_to_a_leaning_axis(kind: str, turns: float) -> None:
    """An axis leaning by t makes a face swing by 2 r sin t at radius r; the corner of the face is its largest."""
    lean = 0.004
    found = _line(_scan(lean_rad=lean), "hole-1", kind=kind, feature=TOP, zone=0.5)
    assert found.measured is not None, found.reason
    assert found.U is not None
    widest = SIZE[0] * float(np.sin(lean))  # the swing lies along x: corner to corner
    assert turns * widest - found.U <= found.measured + 0.02
    assert found.measured <= widest + found.U


def test_orientation_does_not_see_where_a_bore_sits() -> None:
    still = _line(_scan(), BOTTOM, kind="perpendicularity", feature="hole-1", zone=0.3)
    aside = _line(_scan(aside_mm=0.2), BOTTOM, kind="perpendicularity", feature="hole-1", zone=0.3)
    assert still.measured is not None
    assert aside.measured == pytest.approx(still.measured, abs=0.01)


def test_exact_direction_turns_about_the_datum_toward_what_was_measured() -> None:
    from worker.judging.kinds_of_orientation import exact_direction  # noqa: PLC0415 - one function, one test

    own: Floats = np.array([[0.9, 0.1, 0.05]])
    exact = exact_direction(own / np.linalg.norm(own), np.array([[0.0, 0.0, 1.0]]), np.pi / 2)[0]
    assert exact[2] == pytest.approx(0.0, abs=1e-12)
    assert exact[1] / exact[0] == pytest.approx(0.1 / 0.9)

"""Invented features and frames of the invented block with six bores."""

from __future__ import annotations

import numpy as np

from tests.support.report_block import COLUMNS, DISPLACED_BORE, HEIGHT_MM, PITCH_MM, RADIUS_MM, ROWS, UNSCANNED_BORE
from worker.datums.records import MeasuringFrame, NoFrame
from worker.features.records import Feature, FeatureKind, PatternKind
from worker.judging.feature_lines import FeatureLine, Figure
from worker.judging.frame_lines import FrameLine
from worker.records import Nominal
from worker.rigid import RigidTransform

UP = np.array([0.0, 0.0, 1.0])
CENTRE_MM = np.array([60.0, 40.0, 17.0])
BORE_OFFSET_MM = np.array([0.32, -0.31, 0.0])


def example_features(nominal: Nominal) -> tuple[FeatureLine, ...]:
    """The deck, six bores of which one is displaced and one not measured, and their pattern."""
    bores = tuple(_bore(nominal, number) for number in range(COLUMNS * ROWS))
    deck = Feature(
        id="plane-1",
        kind=FeatureKind.PLANE,
        triangles=np.flatnonzero(nominal.triangle_face == 1),
        faces=np.array([1]),
        name="deck",
        point_mm=CENTRE_MM + HEIGHT_MM / 2 * UP,
        direction=UP,
        area_mm2=5358.9,
    )
    pattern = Feature(
        id="pattern-1",
        kind=FeatureKind.PATTERN,
        triangles=np.flatnonzero(nominal.triangle_face >= 6),
        faces=np.arange(6, 12),
        name=None,
        point_mm=CENTRE_MM,
        direction=UP,
        members=tuple(bore.id for bore in bores),
        pattern=PatternKind.GRID,
    )
    return (
        FeatureLine(
            deck,
            offsets_mm=np.array([[0.0, 0.0, 0.061]]),
            offset_mm=Figure(0.061, 0.017),
            tilt_deg=Figure(0.021, 0.008),
            seen_share=0.99,
        ),
        *(_bore_line(bore, number) for number, bore in enumerate(bores)),
        FeatureLine(pattern, reason="hole-6 of it was not measured"),
    )


def example_frames() -> tuple[FrameLine, ...]:
    """The fit of the whole piece, the best fit, a datum frame with a freedom left open, and one that cannot be had."""
    best = RigidTransform.about(np.array([1e-5, -2e-5, 4e-5]), np.array([0.012, -0.011, 0.001]), CENTRE_MM)
    datums = RigidTransform.about(np.array([3e-4, 1e-4, 0.0]), np.array([0.0, 0.0, -0.061]), CENTRE_MM)
    return (
        FrameLine(
            "fit of the whole piece",
            _frame(
                "fit of the whole piece", RigidTransform.identity(), "The fit that lets displaced places stand out."
            ),
            is_used=True,
        ),
        FrameLine("best fit", _frame("best fit", best, "Least squares of everything seen."), is_used=False),
        FrameLine(
            "A-B",
            _frame("A-B", datums, "A: tangent plane of plane-1; B: largest cylinder in hole-1.", ("turns about z",)),
            is_used=False,
        ),
        FrameLine("C", NoFrame("datum C: only 35 % of hole-6 was scanned"), is_used=False),
    )


def _bore(nominal: Nominal, number: int) -> Feature:
    column, row = number % COLUMNS, number // COLUMNS
    middle = np.array([(column + 0.5) * PITCH_MM, (row + 0.5) * PITCH_MM, HEIGHT_MM / 2])
    return Feature(
        id=f"hole-{number + 1}",
        kind=FeatureKind.HOLE,
        triangles=np.flatnonzero(nominal.triangle_face == 6 + number),
        faces=np.array([6 + number]),
        name=f"bore {number + 1}",
        point_mm=middle,
        direction=UP,
        radius_mm=RADIUS_MM,
        ends_mm=np.array([middle - HEIGHT_MM / 2 * UP, middle + HEIGHT_MM / 2 * UP]),
        is_internal=True,
        is_through=True,
        arc_rad=2 * np.pi,
        area_mm2=float(2 * np.pi * RADIUS_MM * HEIGHT_MM),
    )


def _bore_line(bore: Feature, number: int) -> FeatureLine:
    if number == UNSCANNED_BORE:
        return FeatureLine(bore, reason="only 35 % of its depth was scanned, 60 % is needed to fix its axis")
    offset = BORE_OFFSET_MM if number == DISPLACED_BORE else np.array([0.006, 0.002 * number, 0.0])
    offsets = np.array([offset, 1.04 * offset])
    return FeatureLine(
        bore,
        size_mm=Figure(2 * RADIUS_MM + 0.01 * number, 0.018),
        offsets_mm=offsets,
        offset_mm=Figure(float(np.linalg.norm(offsets[1])), 0.016),
        tilt_deg=Figure(0.03, 0.02),
        arc_share=1.0,
        length_share=0.94,
        seen_share=0.97,
    )


def _frame(name: str, T_frame_pose: RigidTransform, text: str, open_text: tuple[str, ...] = ()) -> MeasuringFrame:
    return MeasuringFrame(
        name=name,
        T_frame_pose=T_frame_pose,
        covariance=np.diag([1e-10, 1e-10, 2e-10, 1e-5, 1e-5, 2e-5]),
        centre_mm=CENTRE_MM,
        dof=26.0,
        description=text,
        open_text=open_text,
    )

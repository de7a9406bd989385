"""Where a datum points: in nominal, and on the piece."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import Datum, Plan
from worker.datums.records import MeasuringFrame, NoFrame
from worker.features.records import FeatureKind
from worker.judging.limits import unfit
from worker.judging.measured import Measured
from worker.measuring.measured_feature import slot_across
from worker.records import Floats


@dataclass(frozen=True, eq=False)
class DatumWay:
    """A datum with a direction.

    direction : (3,) unit, in nominal;  point_mm : (3,) of nominal, on its axis or plane
    is_axis : an axis, not a plane's normal
    frame : what the datum alone gives
    """

    letter: str
    direction: Floats
    point_mm: Floats
    is_axis: bool
    frame: MeasuringFrame

    def on_piece(self, turns: Floats) -> Floats:
        """The direction (n, 3), pose's nominal frame, under rotations (n, 3) of the frame."""
        own = self.direction - np.cross(turns, self.direction)
        turned = own @ self.frame.T_frame_pose.rotation  # the inverse rotation, row vectors
        unit: Floats = turned / np.linalg.norm(turned, axis=1, keepdims=True)
        return unit


def datum_way(letter: str, plan: Plan, measured: Measured, where: str) -> DatumWay | NoFrame:
    """The datum of that letter.

    Raises
    ------
    PlanInvalid
        If its feature has no direction.

    """
    datum = next(datum for datum in plan.datums if datum.letter == letter)
    direction, point, is_axis = _nominal(datum, measured, where)
    frame = measured.datum(letter, plan)
    if isinstance(frame, NoFrame):
        return frame
    return DatumWay(letter, direction, point, is_axis, frame)


def _nominal(datum: Datum, measured: Measured, where: str) -> tuple[Floats, Floats, bool]:
    if datum.targets is not None:
        return _of_targets(np.array([target.point for target in datum.targets]), measured, datum.letter, where)
    pick = datum.feature if datum.width is None else datum.width[0]
    assert pick is not None  # noqa: S101 a datum has one of the three
    feature = measured.feature(pick, f"datum {datum.letter}")
    if feature.direction is None:
        raise unfit(where, f"datum {datum.letter} is a {feature.kind.value} and points nowhere", "Name another datum.")
    if feature.kind is FeatureKind.SLOT:
        return slot_across(feature), feature.point_mm, False
    return feature.direction, feature.point_mm, feature.kind is not FeatureKind.PLANE


def _of_targets(places_mm: Floats, measured: Measured, letter: str, where: str) -> tuple[Floats, Floats, bool]:
    """Square to the plane of three targets or more; along nominal's normal where there are fewer."""
    middle = places_mm.mean(axis=0)
    nearest = ((measured.samples.points_mm - middle) ** 2).sum(axis=1).argmin()
    if len(places_mm) < 3:
        return measured.samples.normals[nearest], middle, False
    _, sizes, ways = np.linalg.svd(places_mm - middle)
    if sizes[1] <= 1e-9 * sizes[0]:
        raise unfit(where, f"the targets of datum {letter} lie on one line", "Place three that span a plane.")
    at = [((measured.samples.points_mm - place) ** 2).sum(axis=1).argmin() for place in places_mm]
    outward = measured.samples.normals[at].mean(axis=0)
    return ways[2] * np.sign(ways[2] @ outward or 1.0), middle, False

"""Parallelism, perpendicularity and angularity to a datum (ISO 1101)."""

from __future__ import annotations

import numpy as np

from shared.plan import Angularity, Parallelism, Perpendicularity, Plan
from worker.datums.records import NoFrame
from worker.features.records import Feature, FeatureKind
from worker.judging.datum_way import DatumWay, datum_way
from worker.judging.distances import angle_between
from worker.judging.finding import Finding, Unmeasured
from worker.judging.kinds_of_form import NOISE, form_budget
from worker.judging.kinds_of_size import FIT, feature_details, samples_of, unmeasured_feature
from worker.judging.likely_surface import sure_width
from worker.judging.limits import unfit
from worker.judging.measured import Measured
from worker.judging.moved import moved
from worker.judging.propagation import Departures, Input, length_by_chance, rng_of
from worker.judging.skin import gap_of, skin_of
from worker.judging.sources import ALIGNMENT, fit_input, frame_input
from worker.judging.widths import least_range_sloped, range_of
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.seen import NotMeasured
from worker.records import Floats

Orientation = Parallelism | Perpendicularity | Angularity
SAME_RAD = np.radians(0.01)  # nominal angles this near are meant to be equal
AXES = (FeatureKind.HOLE, FeatureKind.BOSS, FeatureKind.CONE, FeatureKind.SLOT)


def orientation(line: Orientation, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Zone at nominal's exact angle to the datum that holds the surface of a plane, or an axis over its length.

    A plane's zone may turn about the datum's direction, which the datum leaves free; an axis square to
    a plane or along an axis has a cylindrical zone, any other one between two planes.

    Raises
    ------
    PlanInvalid
        If nominal's angle is not what the kind's name says.

    """
    where = f"characteristic {line.id}"
    feature = measured.feature(line.feature, where)
    if feature.direction is None or feature.kind is FeatureKind.PATTERN:
        raise unfit(where, f"{feature.id} has no direction of its own", "Pick a plane, hole, boss or cone.")
    datum = datum_way(line.datum, plan, measured, where)
    if isinstance(datum, NoFrame):
        return Unmeasured(datum.reason, point_mm=feature.point_mm)
    angle_rad = _nominal_angle(line, feature, datum, where)
    found = measured.measured_feature(feature)
    if isinstance(found, NotMeasured):
        return unmeasured_feature(found, feature, measured)
    if feature.kind is FeatureKind.PLANE:
        return _plane(line, datum, angle_rad, found, (plan, measured))
    return _axis(datum, angle_rad, found, (plan, measured))


def _nominal_angle(line: Orientation, feature: Feature, datum: DatumWay, where: str) -> float:
    """Between feature's and datum's directions in nominal, 0 to pi."""
    assert feature.direction is not None  # noqa: S101 asked by the caller
    angle = float(np.radians(angle_between(feature.direction[None], datum.direction[None])[0]))
    is_along = min(angle, np.pi - angle) < SAME_RAD
    is_square = abs(angle - np.pi / 2) < SAME_RAD
    is_like = datum.is_axis == (feature.kind is not FeatureKind.PLANE)  # plane to plane, axis to axis
    is_parallel = is_along if is_like else is_square
    is_perpendicular = is_square if is_like else is_along
    wanted = {"parallelism": is_parallel, "perpendicularity": is_perpendicular, "angularity": True}[line.kind]
    if not wanted:
        told = f"{feature.id} and datum {datum.letter} stand at {np.degrees(angle):.2f} degrees in the CAD"
        raise unfit(where, f"{told}, which is no {line.kind}", "Use the kind that fits, or angularity.")
    return angle


def exact_direction(own: Floats, datum: Floats, angle_rad: float) -> Floats:
    """Unit (n, 3) at exactly ``angle_rad`` to datum directions (n, 3), turned about them toward ``own`` (n, 3)."""
    aside = own - (own * datum).sum(axis=1, keepdims=True) * datum
    length = np.linalg.norm(aside, axis=1, keepdims=True)
    aside = aside / np.where(length > 0, length, 1.0)
    exact = np.cos(angle_rad) * datum + np.sin(angle_rad) * aside
    unit: Floats = exact / np.linalg.norm(exact, axis=1, keepdims=True)
    return unit


def _plane(
    line: Orientation, datum: DatumWay, angle_rad: float, found: MeasuredFeature, context: tuple[Plan, Measured]
) -> Finding | Unmeasured:
    plan, measured = context
    feature = found.feature
    skin = skin_of(found, measured.nominal, rng=rng_of(0, line.id))
    if isinstance(skin, str):
        return Unmeasured(skin, point_mm=feature.point_mm, sample_mask=samples_of(feature, measured))
    normal = skin.frame[2]
    place = skin.place_mm - skin.element.point_mm
    is_fixed = min(angle_rad, np.pi - angle_rad) < SAME_RAD

    def width(heights: Floats, datum_direction: Floats) -> Floats:
        """Widths (n,) of surfaces (n, p) for one direction (3,) of the datum."""
        exact = exact_direction(normal[None], datum_direction[None], angle_rad)[0]
        above = place @ exact + heights * (skin.normal @ exact)
        if is_fixed:
            return range_of(above)
        return least_range_sloped(above, place @ np.cross(datum_direction, exact))

    estimate = datum.on_piece(np.zeros((1, 3)))[0]
    sure = sure_width(skin.surfaces, lambda heights: width(heights, estimate))
    likeliest = skin.surfaces.mean_mm[None]
    own = float(width(likeliest, estimate)[0])
    added = {NOISE: sure.sigma_mm, **form_budget(feature, plan, measured)}

    def zone(departures: Departures) -> Floats:
        ways = datum.on_piece(departures[ALIGNMENT][:, :3])
        turned = np.array([width(likeliest, way)[0] for way in ways])
        total: Floats = sure.width_mm + (turned - own) + np.sum([departures[name][:, 0] for name in added], axis=0)
        return total

    exact = exact_direction(normal[None], estimate[None], angle_rad)[0]
    above = place @ exact + likeliest[0] * (skin.normal @ exact)
    worst = int(np.argmax(np.abs(above - (above.max() + above.min()) / 2)))
    return Finding(
        inputs=(frame_input(datum.frame), *(Input.single(name, sigma) for name, sigma in added.items())),
        model=zone,
        least=0.0,
        point_mm=skin.place_mm[worst],
        details={
            "noise_taken_out_mm": sure.widening_mm,
            "tilt_deg": float(angle_between(normal[None], exact[None])[0]),
            **skin.details(found),
        },
        sample_mask=samples_of(feature, measured),
        gap=gap_of(found),
        frame=datum.frame.name,
    )


def _axis(
    datum: DatumWay, angle_rad: float, found: MeasuredFeature, context: tuple[Plan, Measured]
) -> Finding | Unmeasured:
    plan, measured = context
    feature = found.feature
    length = feature.depth_mm or 0.0
    is_round = min(angle_rad, np.pi - angle_rad) < SAME_RAD
    added = form_budget(feature, plan, measured)

    def off(departures: Departures) -> Floats:
        own = moved(found.element, departures[FIT]).direction
        assert own is not None  # noqa: S101 the caller asked for a direction
        angle = np.radians(angle_between(own, datum.on_piece(departures[ALIGNMENT][:, :3])))
        return np.abs(angle - angle_rad)

    def zone(departures: Departures) -> Floats:
        error = off(departures)
        width = length * (np.tan(error) if is_round else np.sin(error))
        total: Floats = width + np.sum([departures[name][:, 0] for name in added], axis=0)
        return total

    def leans(departures: Departures) -> Floats:
        """Vectors (n, 1, 3) by which an axis leaves the datum's direction over its length."""
        own = moved(found.element, departures[FIT]).direction
        assert own is not None  # noqa: S101 the caller asked for a direction
        lean: Floats = length * np.cross(own, datum.on_piece(departures[ALIGNMENT][:, :3]))
        return lean[:, None]

    inputs = (
        fit_input(found),
        frame_input(datum.frame),
        *(Input.single(name, sigma) for name, sigma in added.items()),
    )
    still = {entry.name: np.zeros((1, len(entry.covariance))) for entry in inputs}
    return Finding(
        inputs=inputs,
        model=zone,
        least=0.0,
        point_mm=feature.point_mm,
        by_chance=length_by_chance(leans, inputs) if is_round else 0.0,
        details={"tilt_deg": float(np.degrees(off(still)[0])), "length_mm": length, **feature_details(found)},
        sample_mask=samples_of(feature, measured),
        gap=gap_of(found),
        frame=datum.frame.name,
    )

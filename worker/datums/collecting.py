"""The surfaces that each datum of a plan is taken from, with the points of the piece on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from shared.plan import Datum, DatumReference, FeaturePick
from worker.datums.records import NoFrame
from worker.datums.surfaces import DatumSurface, SurfaceShape, Touch
from worker.datums.targets import target_surfaces
from worker.features.find import find_feature
from worker.features.records import Feature, FeatureKind
from worker.fitting.calm import calmed
from worker.fitting.records import Element
from worker.fitting.robust import TUKEY, tukey_weights
from worker.measuring.measured_feature import MeasuredFeature, measure_feature, slot_across
from worker.measuring.middle_plane import middle_plane
from worker.measuring.seen import NotMeasured, Seen
from worker.records import Floats

PARALLEL_SINE = 0.02  # faces of a width lean no more than a degree
NEIGHBOURS = 16  # as far as the sixteenth, density is told to a quarter
MOST_UNEVEN = 4.0  # a lone point does not speak for more area than that
SIGMA_FLOOR_MM = 1e-5  # exact points must not divide by zero
SHAPES = {
    FeatureKind.PLANE: SurfaceShape.PLANE,
    FeatureKind.HOLE: SurfaceShape.CYLINDER,
    FeatureKind.BOSS: SurfaceShape.CYLINDER,
    FeatureKind.CONE: SurfaceShape.CONE,
    FeatureKind.SPHERE: SurfaceShape.SPHERE,
}
TOUCHED = {
    SurfaceShape.PLANE: "the plane that touches it from outside",
    SurfaceShape.CYLINDER: "the largest cylinder inside it",
    SurfaceShape.MIDDLE: "the middle of the largest gauge between its faces",
}
ROUND_IT = {
    SurfaceShape.CYLINDER: "the smallest cylinder round it",
    SurfaceShape.MIDDLE: "the middle of the closest jaws round its faces",
}
THROUGH = {
    SurfaceShape.PLANE: "its least-squares plane",
    SurfaceShape.CYLINDER: "its least-squares axis",
    SurfaceShape.CONE: "its least-squares cone",
    SurfaceShape.SPHERE: "its least-squares centre",
    SurfaceShape.MIDDLE: "the least-squares middle of its faces",
}


@dataclass(frozen=True, eq=False)
class DatumTaken:
    """One datum of a frame.  words : what it is and how it is taken, for the report."""

    letter: str
    surfaces: tuple[DatumSurface, ...]
    words: str


def take_datum(datum: Datum, features: Sequence[Feature], seen: Seen) -> DatumTaken | NoFrame:
    """Measure what a datum names.

    datum : lengths in mm

    Raises
    ------
    PlanInvalid
        If it names no feature of nominal.

    """
    if datum.targets is not None:
        found = target_surfaces(datum.targets, seen)
        if isinstance(found, NotMeasured):
            return NoFrame(f"datum {datum.letter}: {found.reason}")
        count = len(found)
        return DatumTaken(datum.letter, found, f"{count} target{'s' if count > 1 else ''}")
    if datum.width is not None:
        return _width(datum, datum.width, features, seen)
    if datum.feature is None:
        raise ValueError(f"datum {datum.letter} names nothing")
    feature = _found(datum, datum.feature, features, seen)
    measured = measure_feature(feature, seen, features=features)
    if isinstance(measured, NotMeasured):
        return NoFrame(f"datum {datum.letter} is not measured: {measured.reason}")
    surfaces = _surfaces(measured, datum.reference)
    return DatumTaken(datum.letter, surfaces, f"{feature.id}, {_words(surfaces[0])}")


def _found(datum: Datum, pick: FeaturePick, features: Sequence[Feature], seen: Seen) -> Feature:
    return find_feature(features, pick, seen.nominal, where=f"datum {datum.letter}")


def _words(surface: DatumSurface) -> str:
    if surface.touch is Touch.THROUGH:
        return THROUGH[surface.shape]
    is_round_it = surface.touch is Touch.OUTSIDE and surface.shape in ROUND_IT
    return (ROUND_IT if is_round_it else TOUCHED)[surface.shape]


def _surfaces(measured: MeasuredFeature, reference: DatumReference) -> tuple[DatumSurface, ...]:
    feature = measured.feature
    if feature.kind is FeatureKind.PATTERN:
        return tuple(surface for member in measured.members for surface in _surfaces(member, reference))
    if feature.kind is FeatureKind.SLOT:
        first, second = measured.parts
        cut = len(first.residual_mm)
        sides = ((first, measured.points_mm[:cut]), (second, measured.points_mm[cut:]))
        return (_middle((feature.point_mm, slot_across(feature)), sides, reference, is_internal=True),)
    shape = SHAPES[feature.kind]
    touch = _touch(reference, is_internal=feature.is_internal and shape is not SurfaceShape.PLANE)
    if shape in (SurfaceShape.CONE, SurfaceShape.SPHERE):
        touch = Touch.THROUGH  # a cone or ball that touches is ruled by its highest three or four points
    points, weights, sigma = _cloud(measured.element, measured.points_mm, touch)
    up = np.array([0.0, 0.0, 1.0])
    surface = DatumSurface(
        shape=shape,
        touch=touch,
        point_mm=feature.point_mm,
        direction=up if feature.direction is None else feature.direction,
        points_mm=points,
        weights=weights,
        side=np.ones(len(points)),
        sigma_mm=sigma,
        covariance=measured.element.covariance[:6, :6],
        anchor_mm=measured.element.point_mm,
        dof=measured.element.dof,
        radius_mm=feature.radius_mm or 0.0,
        half_angle_rad=feature.half_angle_rad or 0.0,
    )
    return (surface,)


def _touch(reference: DatumReference, *, is_internal: bool) -> Touch:
    if reference is DatumReference.LEAST_SQUARES:
        return Touch.THROUGH
    return Touch.INSIDE if is_internal else Touch.OUTSIDE


def _cloud(element: Element, points_mm: Floats, touch: Touch) -> tuple[Floats, Floats, Floats]:
    """Points, weights and own uncertainties: all points for a plain fit, calmed patches for one that touches."""
    if touch is Touch.THROUGH:
        return points_mm, _plain_weights(element, points_mm), np.zeros(len(points_mm))
    calm = calmed(element, points_mm)
    usual = float(np.median(calm.count)) if len(calm.count) else 1.0
    return calm.points_mm, np.minimum(calm.count / usual, 1.0), calm.sigma_mm  # a patch cut by the rim is smaller


def _plain_weights(element: Element, points_mm: Floats) -> Floats:
    """Weights (n,) by area, of points that are no strays.

    The area of a point is the square of the distance to its neighbours.  Counting points in cells would
    weigh cells that the rim cuts as much as whole ones, and move the middle of a face by millimetres.
    """
    count = min(NEIGHBOURS + 1, len(points_mm))
    reach = np.asarray(cKDTree(points_mm).query(points_mm, k=[count])[0])
    area = reach[:, 0] ** 2
    even = np.clip(area / max(float(np.median(area)), 1e-300), 1 / MOST_UNEVEN, MOST_UNEVEN)
    robust = tukey_weights(element.residual_mm, TUKEY * max(element.sigma_mm, SIGMA_FLOOR_MM))
    weights: Floats = even * robust
    return weights


def _width(
    datum: Datum, picks: tuple[FeaturePick, FeaturePick], features: Sequence[Feature], seen: Seen
) -> DatumTaken | NoFrame:
    """The middle of two opposite faces."""
    faces = [_found(datum, pick, features, seen) for pick in picks]
    fault = _no_width(datum, faces)
    if fault is not None:
        return fault
    sides = []
    for face in faces:
        found = measure_feature(face, seen)
        if isinstance(found, NotMeasured):
            return NoFrame(f"datum {datum.letter} is not measured: {found.reason}")
        sides.append((found.element, found.points_mm))
    across = _normal(faces[0])
    gap = faces[0].point_mm - faces[1].point_mm
    is_internal = bool(gap @ across < 0)
    way = -across if is_internal else across  # from the second face to the first
    nominal = ((faces[0].point_mm + faces[1].point_mm) / 2, way)
    surface = _middle(nominal, (sides[0], sides[1]), datum.reference, is_internal=is_internal)
    return DatumTaken(datum.letter, (surface,), f"{faces[0].id} and {faces[1].id}, {_words(surface)}")


def _no_width(datum: Datum, faces: Sequence[Feature]) -> NoFrame | None:
    names = f"{faces[0].id} and {faces[1].id}"
    if any(face.kind is not FeatureKind.PLANE for face in faces):
        return NoFrame(f"datum {datum.letter}: {names} are not two planes, so that they have no middle")
    first, second = (_normal(face) for face in faces)
    if np.linalg.norm(np.cross(first, second)) > PARALLEL_SINE or first @ second > 0:
        return NoFrame(f"datum {datum.letter}: {names} do not lie opposite each other")
    return None


def _normal(face: Feature) -> Floats:
    if face.direction is None:
        raise ValueError(f"{face.id} is a plane without a normal")
    return face.direction


def _middle(
    nominal: tuple[Floats, Floats],
    sides: tuple[tuple[Element, Floats], tuple[Element, Floats]],
    reference: DatumReference,
    *,
    is_internal: bool,
) -> DatumSurface:
    """Two opposite faces as one surface.

    nominal : the middle point and the unit direction from the second face to the first
    sides : element and points of the first face, then of the second
    """
    touch = _touch(reference, is_internal=is_internal)
    clouds = [_cloud(element, points, touch) for element, points in sides]
    middle = middle_plane(sides[0][0], sides[1][0], *nominal).element
    points, weights, sigma = (np.concatenate(parts) for parts in zip(*clouds, strict=True))
    return DatumSurface(
        shape=SurfaceShape.MIDDLE,
        touch=touch,
        point_mm=nominal[0],
        direction=nominal[1],
        points_mm=points,
        weights=weights,
        side=np.repeat([1.0, -1.0], [len(clouds[0][0]), len(clouds[1][0])]),
        sigma_mm=sigma,
        covariance=middle.covariance[:6, :6],
        anchor_mm=middle.point_mm,
        dof=middle.dof,
    )

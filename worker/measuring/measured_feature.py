"""A feature of the piece: the element its scan points make, or why they make none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from worker.features.records import Feature, FeatureKind
from worker.fitting.calm import calmed
from worker.fitting.envelopes import maximum_inscribed, minimum_circumscribed, tangent_plane, touching_radius
from worker.fitting.fit import Start, fit_element
from worker.fitting.records import RADIUS_INDEX, Association, Element, ElementKind, NotFitted, Refusal
from worker.fitting.smooth import SmoothPoints, smoothed
from worker.measuring.feature_points import FeaturePoints, feature_points, whole_places_mm
from worker.measuring.measured_pattern import placed_pattern
from worker.measuring.middle_plane import middle_plane
from worker.measuring.seen import NotMeasured, Seen
from worker.records import Floats

ELEMENTS = {
    FeatureKind.PLANE: ElementKind.PLANE,
    FeatureKind.HOLE: ElementKind.CYLINDER,
    FeatureKind.BOSS: ElementKind.CYLINDER,
    FeatureKind.CONE: ElementKind.CONE,
    FeatureKind.SPHERE: ElementKind.SPHERE,
}
LEAST_POINTS = {
    ElementKind.PLANE: 24,
    ElementKind.SPHERE: 32,
    ElementKind.CYLINDER: 40,
    ElementKind.CONE: 48,
}  # eight for each number of the element: itself and its scatter
LEAST_ARC_SHARE = 1 / 3  # 120 degrees: below, the radius is over 5.6 times less sure than a full circle's
LEAST_LENGTH_SHARE = 0.25  # seen along less of its depth, the axis' tilt is a guess
LEAST_SEEN_SHARE = 0.1  # of a plane's area: the rest of it may lie anywhere
FLAT_COSINE = 0.996  # a slot's flats face each other within 5 degrees


@dataclass(frozen=True, eq=False, kw_only=True)
class MeasuredFeature:
    """A feature of nominal as the piece has it, in the pose's nominal frame.

    element : of a hole or boss the cylinder, of a plane the plane with its normal out of material, of
        a cone and a sphere themselves; of a slot the plane midway between its flats, normal from its
        second flat to its first; of a pattern the circle of its holes' centres, or without one the line
        through its middle along its holes
    points_mm : (n, 3) the points it was made from; of slots and patterns those of all their parts.
        ``element.residual_mm`` belongs to them for a plain least-squares element of one part only.
    arc_share, length_share : share of a full round and of nominal's depth the points show, where it has them
    seen_share : share of its nominal area measured
    width_mm, width_sigma_mm : of a slot, between its flats
    parts : both flats of a slot, normals out of material
    members : holes of a pattern, in its order
    """

    feature: Feature
    element: Element
    points_mm: Floats
    arc_share: float | None
    length_share: float | None
    seen_share: float
    width_mm: float | None = None
    width_sigma_mm: float | None = None
    parts: tuple[Element, ...] = ()
    members: tuple[MeasuredFeature, ...] = ()


def measure_feature(
    feature: Feature,
    seen: Seen,
    *,
    association: Association = Association.LEAST_SQUARES,
    shrink_removed: bool = False,
    features: Sequence[Feature] = (),
) -> MeasuredFeature | NotMeasured:
    """Fit the feature's element to the scan points on it.

    association : tangent is the outer tangent plane, the largest cylinder inside a hole and the smallest
        round a boss.  All but least squares are made on points averaged over patches of the surface, for
        they are of the surface's highest places, not of single noisy points.
    shrink_removed : the points are brought to nominal's size first
    features : where the members of a pattern are found

    Raises
    ------
    ValueError
        If a pattern's members are not among ``features``, or the association is not one of a whole feature.

    """
    if association is Association.MINIMUM_ZONE:
        raise ValueError("minimum zones are of form, not of features: worker.fitting.zones")
    if feature.kind is FeatureKind.PATTERN:
        return _pattern(feature, seen, association, shrink_removed, features)
    if feature.kind is FeatureKind.SLOT:
        return _slot(feature, seen, association, shrink_removed)
    own = feature_points(feature, seen, shrink_removed=shrink_removed)
    refusal = _unseen(feature, own)
    if refusal is not None:
        return refusal
    element = associated(feature, own.points_mm, association, whole_mm=whole_places_mm(feature, seen))
    if isinstance(element, NotFitted):
        return NotMeasured(f"{_name(feature)}: {element.reason}", element.code)
    return MeasuredFeature(
        feature=feature,
        element=element,
        points_mm=own.points_mm,
        arc_share=own.arc_share,
        length_share=own.length_share,
        seen_share=own.seen_share,
    )


def associated(
    feature: Feature, points_mm: Floats, association: Association, *, whole_mm: Floats | None = None
) -> Element | NotFitted:
    """The element of a plane, cylinder, cone or sphere feature through points (n, 3), facing as nominal does.

    whole_mm : (w, 3) places evenly over the whole of nominal's feature

    Cones and spheres are least squares whatever is asked: three or four high points would rule a touching one.
    """
    start = Start(
        point_mm=feature.point_mm,
        direction=feature.direction,
        radius_mm=feature.radius_mm,
        half_angle_rad=feature.half_angle_rad,
        is_internal=feature.is_internal,
        whole_mm=whole_mm,
    )
    plain = fit_element(ELEMENTS[feature.kind], points_mm, start=start)
    if isinstance(plain, NotFitted):
        return plain
    plain = facing(plain, feature.direction)
    if association is Association.LEAST_SQUARES or feature.kind in (FeatureKind.CONE, FeatureKind.SPHERE):
        return plain
    begun = Start(point_mm=plain.point_mm, direction=plain.direction, radius_mm=plain.radius_mm)
    if feature.kind is FeatureKind.PLANE:
        calm = calmed(plain, points_mm)
        sigma_mm = float(np.median(calm.sigma_mm)) if len(calm.sigma_mm) else 0.0
        touching = tangent_plane(calm.points_mm, outward=_outward(feature), start=begun, sigma_mm=sigma_mm)
    else:
        touching = _touching(feature, smoothed(plain, points_mm), association, begun)
    return touching if isinstance(touching, NotFitted) else facing(touching, feature.direction)


def _touching(feature: Feature, smooth: SmoothPoints, association: Association, start: Start) -> Element | NotFitted:
    """The cylinder that touches the likeliest surface; its radius as sure as those that touch likely ones agree.

    They agree among themselves, not with it: draws are rougher than the likeliest surface, and so is not the piece.
    """
    is_inside = association is Association.MAXIMUM_INSCRIBED
    if association is Association.TANGENT:
        is_inside = feature.is_internal
    touch = maximum_inscribed if is_inside else minimum_circumscribed
    found = touch(ELEMENTS[feature.kind], smooth.mean_mm, start=start)
    if isinstance(found, NotFitted) or found.radius_mm is None:
        return found
    drawn = [touching_radius(found, points) for points in smooth.draws_mm]
    radii = np.array([radius for radius in drawn if radius is not None])
    if len(radii) < 2:
        return NotFitted(Refusal.TOO_LITTLE_ARC, "What holds a gauge in it was not seen surely enough.")
    covariance = found.covariance.copy()
    covariance[RADIUS_INDEX] = covariance[:, RADIUS_INDEX] = 0.0
    covariance[RADIUS_INDEX, RADIUS_INDEX] = float(radii.var(ddof=1))
    return replace(found, covariance=covariance)


def facing(element: Element, direction: Floats | None) -> Element:
    """The same element with its direction along nominal's; a cone keeps the way it widens."""
    if element.direction is None or direction is None or element.kind is ElementKind.CONE:
        return element
    if element.direction @ direction >= 0:
        return element
    is_plane = element.kind is ElementKind.PLANE
    residual = -element.residual_mm if is_plane else element.residual_mm
    return replace(element, direction=-element.direction, residual_mm=residual)


def _outward(feature: Feature) -> Floats:
    if feature.direction is None:
        raise ValueError(f"{feature.id} is a plane without a normal")
    return feature.direction


def _name(feature: Feature) -> str:
    return feature.id if feature.name is None else f"{feature.id} ('{feature.name}')"


def _unseen(feature: Feature, own: FeaturePoints) -> NotMeasured | None:
    """Why what the scan shows of the feature is too little, if it is."""
    name, count = _name(feature), len(own.points_mm)
    if count < LEAST_POINTS[ELEMENTS[feature.kind]]:
        code = Refusal.TOO_FEW_POINTS if count else Refusal.NO_POINTS
        return NotMeasured(f"only {count} scan points lie on {name}", code)
    if own.arc_share is not None and own.arc_share < LEAST_ARC_SHARE:
        degrees = 360 * own.arc_share
        return NotMeasured(f"the scan shows only {degrees:.0f} of 360 degrees of {name}", Refusal.TOO_LITTLE_ARC)
    if own.length_share is not None and own.length_share < LEAST_LENGTH_SHARE:
        return NotMeasured(f"the scan shows only {own.length_share:.0%} of the depth of {name}", Refusal.TOO_SHORT)
    if feature.kind is FeatureKind.PLANE and own.seen_share < LEAST_SEEN_SHARE:
        return NotMeasured(f"the scan shows only {own.seen_share:.0%} of {name}", Refusal.TOO_FEW_POINTS)
    return None


def _slot(
    feature: Feature, seen: Seen, association: Association, shrink_removed: bool
) -> MeasuredFeature | NotMeasured:
    """Two flats and the plane midway between them."""
    flats = slot_flats(feature, seen)
    found = [measure_feature(flat, seen, association=association, shrink_removed=shrink_removed) for flat in flats]
    first, second = found
    if isinstance(first, NotMeasured) or isinstance(second, NotMeasured):
        reason = next(side.reason for side in found if isinstance(side, NotMeasured))
        is_one = not (isinstance(first, NotMeasured) and isinstance(second, NotMeasured))
        return NotMeasured(
            f"{'one side' if is_one else 'neither side'} of {_name(feature)} is measured: {reason}",
            Refusal.ONE_SIDED if is_one else Refusal.TOO_FEW_POINTS,
        )
    middle = middle_plane(first.element, second.element, feature.point_mm, -_outward(flats[0]))
    return MeasuredFeature(
        feature=feature,
        element=middle.element,
        points_mm=np.concatenate([first.points_mm, second.points_mm]),
        arc_share=None,
        length_share=None,
        seen_share=(first.seen_share + second.seen_share) / 2,
        width_mm=middle.width_mm,
        width_sigma_mm=middle.width_sigma_mm,
        parts=(first.element, second.element),
    )


def slot_flats(feature: Feature, seen: Seen) -> tuple[Feature, Feature]:
    """The two flats of a slot as planes of their own, its half-round ends left out."""
    across = slot_across(feature)
    corners = seen.nominal.vertices_mm[seen.nominal.triangles[feature.triangles]]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(cross, axis=1)
    toward = (cross @ across) / np.where(size > 0, size, 1.0)
    half = feature.width_mm / 2 if feature.width_mm is not None else 0.0
    flats = []
    for number, way in enumerate((1.0, -1.0)):
        is_flat = -way * toward > FLAT_COSINE  # out of material is toward the middle
        is_flat &= way * ((corners.mean(axis=1) - feature.point_mm) @ across) > 0.9 * half
        flat = replace(
            feature,
            id=f"side {number + 1} of {feature.id}",
            kind=FeatureKind.PLANE,
            triangles=feature.triangles[is_flat],
            point_mm=feature.point_mm + way * half * across,
            direction=-way * across,
            radius_mm=None,
            ends_mm=None,
        )
        flats.append(flat)
    return flats[0], flats[1]


def slot_across(feature: Feature) -> Floats:
    """Unit (3,) from the second flat of a slot to its first: its axis times the way its ends lie apart."""
    if feature.direction is None or feature.length_direction is None:
        raise ValueError(f"{feature.id} is a slot without its directions")
    across = np.cross(feature.direction, feature.length_direction)
    unit: Floats = across / np.linalg.norm(across)
    return unit


def _pattern(
    feature: Feature, seen: Seen, association: Association, shrink_removed: bool, features: Sequence[Feature]
) -> MeasuredFeature | NotMeasured:
    by_id = {item.id: item for item in features}
    absent = [name for name in feature.members if name not in by_id]
    if absent:
        raise ValueError(f"members of {feature.id} are not among the features given: {', '.join(absent)}")
    members = []
    for name in feature.members:
        found = measure_feature(by_id[name], seen, association=association, shrink_removed=shrink_removed)
        if isinstance(found, NotMeasured):
            return NotMeasured(f"a hole of {_name(feature)} is not measured: {found.reason}", found.code)
        members.append(found)
    nominal = [member.feature.point_mm for member in members]
    element = placed_pattern(feature, np.array(nominal), [member.element for member in members])
    return MeasuredFeature(
        feature=feature,
        element=element,
        points_mm=np.concatenate([member.points_mm for member in members]),
        arc_share=min(member.arc_share or 0.0 for member in members),
        length_share=min(member.length_share or 0.0 for member in members),
        seen_share=min(member.seen_share for member in members),
        members=tuple(members),
    )

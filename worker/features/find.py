"""Which detected feature a plan means."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shared.errors import PlanInvalid
from shared.plan import FeaturePick
from worker.features.records import Feature, FeatureKind
from worker.features.skin import lengths
from worker.records import Floats, Nominal

ON_SURFACE_MM = 0.1  # a place read off a drawing is given to a tenth at worst
SAME_GAP_MM = 1e-3  # closer calls than this are no choice
LISTED = 20
AXIAL = (FeatureKind.HOLE, FeatureKind.BOSS, FeatureKind.CONE, FeatureKind.SLOT)


def find_feature(features: Sequence[Feature], pick: FeaturePick, nominal: Nominal, *, where: str) -> Feature:
    """The feature a plan picks by id, face number, face name or a point.

    pick : a point in mm, nominal frame
    where : the plan's line, for the error

    A point means the plane or sphere it lies on (within 0.1 mm), or the hole, boss, cone or slot whose
    axis passes it within the radius, between its ends; of those the nearest axis, and of coaxial ones
    the innermost, so that a point in a bored boss means the bore.

    Raises
    ------
    PlanInvalid
        If nothing, or more than one feature, answers to it; the known ids are in the message.

    """
    if pick.id is not None:
        return _by_id(features, pick.id, where)
    if pick.face is not None:
        return _by_face(features, pick.face, nominal, where)
    if pick.face_name is not None:
        return _by_name(features, pick.face_name, nominal, where)
    return _by_point(features, np.asarray(pick.point, dtype=np.float64), nominal, where)


def _by_id(features: Sequence[Feature], wanted: str, where: str) -> Feature:
    for feature in features:
        if feature.id == wanted:
            return feature
    kind = wanted.rsplit("-", 1)[0]
    alike = [feature for feature in features if feature.kind.value == kind]
    raise _unknown(where, f"the CAD has no feature {wanted}", alike or features)


def _by_face(features: Sequence[Feature], face: int, nominal: Nominal, where: str) -> Feature:
    found = [feature for feature in _single(features) if face in feature.faces]
    if found:
        return found[0]
    if not any(len(feature.faces) for feature in features):
        what = "the CAD is a mesh, whose faces have no lasting numbers"
    elif face >= len(nominal.faces):
        what = f"the CAD has no face {face}, only 0 to {len(nominal.faces) - 1}"
    else:
        what = f"face {face} is {nominal.faces[face].kind.value} and belongs to no feature"
    raise _unknown(where, what, features)


def _by_name(features: Sequence[Feature], name: str, nominal: Nominal, where: str) -> Feature:
    named = {face.index for face in nominal.faces if face.name == name}
    if not named:
        raise _unknown(where, f"no face of the CAD is named {name!r}", features)
    found = [feature for feature in _single(features) if named.intersection(feature.faces.tolist())]
    if not found:
        raise _unknown(where, f"the faces named {name!r} belong to no feature", features)
    if len(found) > 1:
        raise _several(where, f"the name {name!r} stands on several features", found)
    return found[0]


def _by_point(features: Sequence[Feature], point_mm: Floats, nominal: Nominal, where: str) -> Feature:
    gaps = [(_gap_mm(feature, point_mm, nominal), feature) for feature in _single(features)]
    near = [(gap, feature) for gap, feature in gaps if gap is not None]
    if not near:
        what = f"no feature of the CAD lies at {_text(point_mm)}: no axis within its radius, no plane or sphere there"
        raise _unknown(where, what, features)
    least = min(gap for gap, _ in near)
    best = [feature for gap, feature in near if gap <= least + SAME_GAP_MM]
    chosen = _innermost(best)
    if chosen is None:
        raise _several(where, f"{_text(point_mm)} could mean several features", best)
    return chosen


def _innermost(best: Sequence[Feature]) -> Feature | None:
    """The only one, or the smallest of coaxial holes and bosses one inside the other; None if it stays open."""
    if len(best) == 1:
        return best[0]
    if any(feature.kind not in (FeatureKind.HOLE, FeatureKind.BOSS) for feature in best):
        return None
    holes = [feature for feature in best if feature.kind is FeatureKind.HOLE]
    return holes[0] if len(holes) == 1 else None


def _gap_mm(feature: Feature, point_mm: Floats, nominal: Nominal) -> float | None:
    """How far the point lies from the axis between the ends, or from the surface; None if it is too far."""
    if feature.kind not in AXIAL:
        gap = _surface_gap_mm(feature, point_mm, nominal)
        return gap if gap <= ON_SURFACE_MM else None
    if feature.ends_mm is None:
        return None
    start, end = feature.ends_mm
    along = end - start
    share = float(np.clip((point_mm - start) @ along / max(float(along @ along), 1e-300), 0.0, 1.0))
    gap = float(np.linalg.norm(point_mm - start - share * along))
    reach = feature.radius_mm or (feature.width_mm or 0.0) / 2
    return gap if gap <= reach else None


def _surface_gap_mm(feature: Feature, point_mm: Floats, nominal: Nominal) -> float:
    """Distance from the feature's own triangles; facets of a sphere are taken at its radius."""
    corners = nominal.vertices_mm[nominal.triangles[feature.triangles]] - point_mm
    if feature.kind is FeatureKind.SPHERE:
        radius = float(feature.radius_mm or 0.0)
        middles = corners.mean(axis=1) + point_mm - feature.point_mm
        arm = point_mm - feature.point_mm
        is_over = (middles @ arm / np.maximum(lengths(middles) * np.linalg.norm(arm), 1e-300)).max(initial=-1.0)
        spread = lengths(corners[:, 0] - corners[:, 1]).max(initial=0.0) / max(radius, 1e-300)
        return abs(float(np.linalg.norm(arm)) - radius) if is_over > np.cos(min(spread, np.pi)) else np.inf
    return _triangle_gap_mm(corners)


def _triangle_gap_mm(corners: Floats) -> float:
    """Least distance of the origin from triangles (t, 3, 3)."""
    edges = np.roll(corners, -1, axis=1) - corners
    normal = np.cross(edges[:, 0], edges[:, 1])
    size = np.maximum(lengths(normal), 1e-300)
    inside = np.einsum("tij,tj->ti", np.cross(edges, -corners), normal) >= 0
    height = np.abs(np.einsum("ij,ij->i", corners[:, 0], normal)) / size
    length_sq = np.maximum(np.einsum("tij,tij->ti", edges, edges), 1e-300)
    share = np.clip(-np.einsum("tij,tij->ti", corners, edges) / length_sq, 0.0, 1.0)
    to_edges = np.linalg.norm(corners + share[:, :, None] * edges, axis=2).min(axis=1)
    return float(np.where(inside.all(axis=1), height, to_edges).min(initial=np.inf))


def _single(features: Sequence[Feature]) -> list[Feature]:
    """All but patterns, whose faces and places are their members'."""
    return [feature for feature in features if feature.kind is not FeatureKind.PATTERN]


def _text(point_mm: Floats) -> str:
    return "({})".format(", ".join(f"{value:g}" for value in point_mm))


def _ids(features: Sequence[Feature]) -> str:
    if not features:
        return "the CAD has no features"
    listed = ", ".join(feature.id for feature in features[:LISTED])
    return listed if len(features) <= LISTED else f"{listed} and {len(features) - LISTED} more"


def _unknown(where: str, what: str, features: Sequence[Feature]) -> PlanInvalid:
    return PlanInvalid(
        f"{where}: {what}. Known: {_ids(features)}.",
        advice="Pick a feature by its id, by the number or name of its face in the STEP file, "
        "or by a point near its axis or on its surface in part axes.",
        faults=[f"{where}: {what}"],
        known=[feature.id for feature in features],
    )


def _several(where: str, what: str, features: Sequence[Feature]) -> PlanInvalid:
    return PlanInvalid(
        f"{where}: {what}: {_ids(features)}.",
        advice="Pick one of them by its id.",
        faults=[f"{where}: {what}"],
        known=[feature.id for feature in features],
    )

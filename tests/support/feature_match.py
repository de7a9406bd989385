"""Features found against features made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.support.feature_truth import Truth
from worker.features.records import Feature, FeatureKind
from worker.records import Floats, Nominal

PLACE_MM = 0.1  # mean height of a rim cut into facets by a curved surface
ANGLE_RAD = 5e-3


@dataclass(frozen=True)
class Match:
    """Which truth was found as which feature, and what was left on either side."""

    found: tuple[tuple[Truth, Feature], ...]
    missed: tuple[Truth, ...]
    false: tuple[Feature, ...]


def match(truths: Sequence[Truth], features: Sequence[Feature], nominal: Nominal) -> Match:
    """Pair each truth with one feature that is it in every respect."""
    left, found, missed = list(features), [], []
    for truth in truths:
        hit = next((feature for feature in left if is_same(truth, feature, nominal)), None)
        if hit is None:
            missed.append(truth)
        else:
            left.remove(hit)
            found.append((truth, hit))
    return Match(tuple(found), tuple(missed), tuple(left))


def is_same(truth: Truth, feature: Feature, nominal: Nominal) -> bool:
    if truth.kind is not feature.kind or truth.pattern is not feature.pattern or not _is_direction(truth, feature):
        return False
    if truth.kind is FeatureKind.PLANE:
        return _holds(feature, np.asarray(truth.point_mm), nominal)
    return _is_place(truth, feature) and truth.is_through is feature.is_through


def _is_place(truth: Truth, feature: Feature) -> bool:
    size = feature.width_mm if truth.kind is FeatureKind.SLOT else feature.radius_mm
    lengths = ((truth.size_mm, size), (truth.depth_mm, feature.depth_mm), (truth.length_mm, feature.length_mm))
    is_sized = all(_is_length(wanted, value) for wanted, value in lengths)
    is_angled = abs((feature.half_angle_rad or 0.0) - (truth.half_angle_rad or 0.0)) < ANGLE_RAD
    is_near = float(np.linalg.norm(feature.point_mm - truth.point_mm)) < PLACE_MM
    is_alike = truth.is_internal == feature.is_internal and len(feature.members) == truth.member_count
    return is_sized and is_angled and is_near and is_alike


def _is_length(wanted: float | None, value: float | None) -> bool:
    return wanted is None or (value is not None and abs(wanted - value) <= PLACE_MM)


def _is_direction(truth: Truth, feature: Feature) -> bool:
    if truth.direction is None or feature.direction is None:
        return truth.direction is None and feature.direction is None
    cosine = float(feature.direction @ np.asarray(truth.direction))
    is_told = truth.is_through is False or truth.kind in (FeatureKind.PLANE, FeatureKind.CONE)
    return bool((cosine if is_told else abs(cosine)) > np.cos(ANGLE_RAD))


def _holds(feature: Feature, place: Floats, nominal: Nominal) -> bool:
    """Whether the place lies in one of the feature's triangles."""
    a, b, c = (nominal.vertices_mm[nominal.triangles[feature.triangles, corner]] - place for corner in range(3))
    normal = np.cross(b - a, c - a)
    size = np.maximum(np.linalg.norm(normal, axis=1), 1e-300)
    height = np.abs(np.einsum("ij,ij->i", a, normal)) / size
    shares = [np.einsum("ij,ij->i", np.cross(p, q), normal) / size**2 for p, q in ((a, b), (b, c), (c, a))]
    return bool(((height < 0.02) & (np.min(shares, axis=0) > -1e-6)).any())

"""A guess at datums, where nobody has said any: the largest outer plane, then deep holes square to it, else planes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from shared.drafting.words import dot, offset
from shared.feature_list import FeatureList, FeatureRecord, Vector

PARALLEL_COSINE = math.cos(math.radians(0.5))  # CAD means parallel, or is off by more
SQUARE_COSINE = math.sin(math.radians(0.5))
FULL_ARC_RAD = math.radians(300)  # a datum bore should go nearly all the way round
OUTER_SHARE = 1e-3  # of the diagonal: a plane this near the part's box lies on its outside
OUTER_FAVOUR = 3.0  # an outer plane is taken before an inner one of up to three times its area
ROUND_SHARE = 0.98  # of the thickness across the axis: a shaft's thickest cylinder, but for facets, is all of it
LEAST_APART_SHARE = 0.1  # of the diagonal, between two datum holes: closer ones hold the turn badly


@dataclass(frozen=True)
class GuessedDatum:
    """One datum, and why this feature."""

    letter: str
    feature: FeatureRecord
    why: str


def guess_datums(listed: FeatureList) -> tuple[GuessedDatum, ...]:
    """Datums A, B, C in order, as many as the features allow; none if nothing suits."""
    planes = [feature for feature in listed.features if feature.kind == "plane"]
    if not planes:
        return _axis_only(listed)
    shaft = _shaft(listed)
    if shaft is not None:
        return tuple(_of_shaft(shaft, planes, listed))
    primary = _best(planes, lambda plane: _plane_score(plane, listed))
    chosen = [GuessedDatum("A", primary, "the largest plane, outer ones first")]
    holes = _square_holes(primary, listed)
    if holes:
        return (*chosen, *_holes(_steady(holes, primary, listed), planes, listed))
    return (*chosen, *_planes(primary, planes, listed))


def _holes(
    holes: Sequence[FeatureRecord], planes: Sequence[FeatureRecord], listed: FeatureList
) -> Iterable[GuessedDatum]:
    second = _best(holes, lambda hole: hole.radius_mm or 0.0)
    yield GuessedDatum("B", second, "the largest hole square to A, deep ones that open at A first")
    least_mm = LEAST_APART_SHARE * _diagonal_mm(listed)
    apart = [hole for hole in holes if axis_gap_mm(hole, second) >= least_mm]
    if apart:
        third = _best(apart, lambda hole: axis_gap_mm(hole, second))
        yield GuessedDatum("C", third, "the hole square to A that is farthest from B")
        return
    sides = [plane for plane in planes if is_square(plane.direction, second.direction)]
    if sides:
        yield GuessedDatum(
            "C", _best(sides, lambda plane: _plane_score(plane, listed)), "the largest plane square to A"
        )


def _planes(primary: FeatureRecord, planes: Sequence[FeatureRecord], listed: FeatureList) -> Iterable[GuessedDatum]:
    sides = [plane for plane in planes if is_square(plane.direction, primary.direction)]
    if not sides:
        return
    second = _best(sides, lambda plane: _plane_score(plane, listed))
    yield GuessedDatum("B", second, "the largest plane square to A")
    ends = [plane for plane in sides if is_square(plane.direction, second.direction)]
    if ends:
        third = _best(ends, lambda plane: _plane_score(plane, listed))
        yield GuessedDatum("C", third, "the largest plane square to A and B")


def _shaft(listed: FeatureList) -> FeatureRecord | None:
    """The largest boss of a part that is round about it, and longer than it is thick; None for other parts."""
    bosses = [f for f in listed.features if f.kind == "boss" and (f.arc_rad or 0.0) >= FULL_ARC_RAD]
    if not bosses:
        return None
    largest = _best(bosses, lambda boss: boss.area_mm2)
    size_mm, axis = offset(listed.minimum_mm, listed.maximum_mm), largest.direction or (0.0, 0.0, 0.0)
    along = [abs(part) >= PARALLEL_COSINE for part in axis]
    if not any(along):
        return None
    thickness_mm = max(side for side, is_along in zip(size_mm, along, strict=True) if not is_along)
    thickest_mm = max(2 * (boss.radius_mm or 0.0) for boss in bosses if is_parallel(boss.direction, axis))
    is_long = size_mm[along.index(True)] > thickness_mm
    return largest if is_long and thickest_mm >= ROUND_SHARE * thickness_mm else None


def _of_shaft(shaft: FeatureRecord, planes: Sequence[FeatureRecord], listed: FeatureList) -> Iterable[GuessedDatum]:
    yield GuessedDatum("A", shaft, "the largest cylinder of a part that is round about it")
    ends = [plane for plane in planes if is_parallel(plane.direction, shaft.direction)]
    if ends:
        end = _best(ends, lambda plane: _plane_score(plane, listed))
        yield GuessedDatum("B", end, "the largest plane square to A; the turn about A is left open")


def _axis_only(listed: FeatureList) -> tuple[GuessedDatum, ...]:
    """A part without planes: its longest axis."""
    axes = [feature for feature in listed.features if feature.kind in ("hole", "boss")]
    if not axes:
        return ()
    return (GuessedDatum("A", _best(axes, lambda axis: axis.depth_mm or 0.0), "the longest axis; there are no planes"),)


def _square_holes(plane: FeatureRecord, listed: FeatureList) -> list[FeatureRecord]:
    return [
        feature
        for feature in listed.features
        if feature.kind == "hole"
        and (feature.arc_rad or 0.0) >= FULL_ARC_RAD
        and is_parallel(feature.direction, plane.direction)
    ]


def _steady(holes: list[FeatureRecord], plane: FeatureRecord, listed: FeatureList) -> list[FeatureRecord]:
    """Those deep enough to hold an axis and opening at A; without any, those deep enough; without any, all."""
    deep = [hole for hole in holes if (hole.depth_mm or 0.0) >= (hole.radius_mm or 0.0)]
    opening = [hole for hole in deep if _end_gap_mm(hole, plane) <= OUTER_SHARE * _diagonal_mm(listed)]
    return opening or deep or holes


def _end_gap_mm(hole: FeatureRecord, plane: FeatureRecord) -> float:
    normal = plane.direction or (0.0, 0.0, 0.0)
    return min((abs(dot(offset(plane.point_mm, end), normal)) for end in hole.ends_mm or ()), default=math.inf)


def _best(features: Sequence[FeatureRecord], score: Callable[[FeatureRecord], float]) -> FeatureRecord:
    """The highest score, rounded so that tessellation does not decide between equals; then the first listed."""
    return max(features, key=lambda feature: round(score(feature), 1))


def _plane_score(plane: FeatureRecord, listed: FeatureList) -> float:
    return plane.area_mm2 * (OUTER_FAVOUR if is_outer(plane, listed) else 1.0)


def is_outer(plane: FeatureRecord, listed: FeatureList) -> bool:
    """Whether all of the part's box lies behind a plane."""
    normal = plane.direction or (0.0, 0.0, 0.0)
    corners = zip(normal, listed.minimum_mm, listed.maximum_mm, strict=True)
    reach_mm = math.fsum(max(part * low, part * high) for part, low, high in corners)
    return reach_mm - dot(plane.point_mm, normal) <= OUTER_SHARE * _diagonal_mm(listed)


def axis_gap_mm(first: FeatureRecord, second: FeatureRecord) -> float:
    """Distance of one axis's middle from the other axis, which is taken as endless."""
    gap, axis = offset(second.point_mm, first.point_mm), second.direction or (0.0, 0.0, 0.0)
    return math.sqrt(max(dot(gap, gap) - dot(gap, axis) ** 2, 0.0))


def is_parallel(first: Vector | None, second: Vector | None) -> bool:
    """Whether two directions lie along one line."""
    return first is not None and second is not None and abs(dot(first, second)) >= PARALLEL_COSINE


def is_square(first: Vector | None, second: Vector | None) -> bool:
    """Whether two directions are perpendicular."""
    return first is not None and second is not None and abs(dot(first, second)) <= SQUARE_COSINE


def _diagonal_mm(listed: FeatureList) -> float:
    return math.dist(listed.minimum_mm, listed.maximum_mm)

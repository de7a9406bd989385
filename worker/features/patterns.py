"""Patterns of equal holes: bolt circles, rows and grids.

Equal means one radius, parallel axes, the same ends open, the same depth, and mouths in one plane.  Of such a family
the largest full grid is taken first, then circles, then rows, until nothing is left that repeats at
least three times.  Four holes at the corners of a square are a circle where something round stands
at their centre, and a grid elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
from scipy.spatial import cKDTree

from worker.features.records import Feature, FeatureKind, PatternKind
from worker.features.settings import DetectSettings
from worker.features.skin import across, canonical
from worker.records import Floats, Ints

LEAST_MEMBERS = 3  # two of a kind are a pair
FAMILY_LIMIT = 80  # equal holes beyond which only full grids are looked for: a perforated plate has thousands of pairs


@dataclass(frozen=True, eq=False)
class _Hole:
    """A hole with what all holes have; the record leaves them open for planes and spheres."""

    feature: Feature
    direction: Floats
    ends_mm: Floats
    radius_mm: float


@dataclass(frozen=True, eq=False)
class _Found:
    kind: PatternKind
    members: tuple[int, ...]
    centre: Floats
    radius_mm: float | None = None


def find_patterns(features: Sequence[Feature], settings: DetectSettings) -> tuple[Feature, ...]:
    """Patterns among numbered features, without ids of their own yet."""
    patterns: list[Feature] = []
    for family in _families(_holes(features), settings):
        patterns.extend(_patterns_of(family, features, settings))
    return tuple(patterns)


def _holes(features: Sequence[Feature]) -> list[_Hole]:
    return [
        _Hole(feature, feature.direction, feature.ends_mm, feature.radius_mm)
        for feature in features
        if feature.kind is FeatureKind.HOLE
        and feature.direction is not None
        and feature.ends_mm is not None
        and feature.radius_mm is not None
    ]


def _families(holes: Sequence[_Hole], settings: DetectSettings) -> list[list[_Hole]]:
    """Holes equal but for their place, in order of their first member."""
    left, families = list(holes), []
    while left:
        is_in = [_is_like(left[0], hole, settings) for hole in left]
        family = [hole for hole, is_member in zip(left, is_in, strict=True) if is_member]
        left = [hole for hole, is_member in zip(left[1:], is_in[1:], strict=True) if not is_member]
        if len(family) >= LEAST_MEMBERS:
            families.append(family)
    return families


def _is_like(first: _Hole, hole: _Hole, settings: DetectSettings) -> bool:
    if first.feature.is_through != hole.feature.is_through:
        return False
    if abs(first.radius_mm - hole.radius_mm) > settings.pattern_mm:
        return False
    if first is not hole and first.direction @ hole.direction < np.cos(5 * settings.same_angle_rad):
        return False
    apart = (hole.ends_mm - first.ends_mm) @ first.direction
    return bool(np.abs(apart).max() < settings.pattern_mm)


def _patterns_of(family: Sequence[_Hole], features: Sequence[Feature], settings: DetectSettings) -> list[Feature]:
    normal = family[0].direction
    plane = across(canonical(normal))
    places = np.stack([hole.feature.point_mm for hole in family]) @ plane.T
    centres = _round_centres(features, normal, plane)
    left, found = np.arange(len(family)), []
    while len(left) >= LEAST_MEMBERS:
        best = _best(places[left], centres, settings.pattern_mm)
        if best is None:
            break
        found.append(replace(best, members=tuple(int(left[index]) for index in best.members)))
        left = np.delete(left, best.members)
    return [_feature(one, family, canonical(normal)) for one in found]


def _round_centres(features: Sequence[Feature], normal: Floats, plane: Floats) -> Floats:
    """(k, 2) where axes of other round features pierce the pattern's plane."""
    rounds = (FeatureKind.HOLE, FeatureKind.BOSS, FeatureKind.CONE)
    found = [
        feature.point_mm @ plane.T
        for feature in features
        if feature.kind in rounds and feature.direction is not None and abs(feature.direction @ normal) > 0.9999
    ]
    return np.array(found).reshape(-1, 2)


def _best(places: Floats, centres: Floats, slack: float) -> _Found | None:
    """The pattern with most members; of equals a circle about something round, then a grid, a circle, a row."""
    if len(places) > FAMILY_LIMIT:
        return _grid(places, slack)
    found = [_circle_about(places, centre, slack) for centre in centres]
    found += [_grid(places, slack), _free_circle(places, slack), _row(places, slack)]
    ranked = [(-len(one.members), order, one) for order, one in enumerate(found) if one is not None]
    return min(ranked, key=lambda item: item[:2])[2] if ranked else None


def _circle_about(places: Floats, centre: Floats, slack: float) -> _Found | None:
    """Most places at one distance from the centre and evenly spaced."""
    distance = np.linalg.norm(places - centre, axis=1)
    best: _Found | None = None
    for size in np.unique(np.round(distance[distance > 2 * slack], 3)):
        members = np.flatnonzero(np.abs(distance - size) < slack)
        if len(members) >= max(LEAST_MEMBERS, len(best.members) + 1 if best else 0) and _is_even(
            places[members] - centre, float(size), slack
        ):
            best = _Found(PatternKind.CIRCLE, tuple(members.tolist()), centre, float(distance[members].mean()))
    return best


def _is_even(arms: Floats, radius: float, slack: float) -> bool:
    angle = np.sort(np.arctan2(arms[:, 1], arms[:, 0]))
    steps = np.diff(np.append(angle, angle[0] + 2 * np.pi))
    return bool(np.abs(steps - 2 * np.pi / len(arms)).max() * radius < 2 * slack)


def _free_circle(places: Floats, slack: float) -> _Found | None:
    """All places evenly round their own centroid: what is left of a family, or three, or five and more of it."""
    centre = places.mean(axis=0)
    found = _circle_about(places, centre, slack)
    return found if found is not None and len(found.members) == len(places) else None


def _grid(places: Floats, slack: float) -> _Found | None:
    """All places as full rows and columns of even pitch, two or more of each."""
    if len(places) < 4:
        return None
    for turn in _directions(places):
        turned = places @ turn.T
        columns, rows = (_steps(turned[:, axis], slack) for axis in (0, 1))
        if columns is None or rows is None or min(columns.max(), rows.max()) < 1:
            continue
        cells = columns * (rows.max() + 1) + rows
        if len(np.unique(cells)) == len(places) == (columns.max() + 1) * (rows.max() + 1):
            middle = (turned.min(axis=0) + turned.max(axis=0)) / 2 @ turn
            return _Found(PatternKind.GRID, tuple(range(len(places))), middle)
    return None


def _directions(places: Floats) -> list[Floats]:
    """Rotations (2, 2) to try: along the part's axes, and along the nearest neighbour of the outermost place."""
    corner = int(np.lexsort((places[:, 1], places[:, 0]))[0])
    gaps = np.delete(places - places[corner], corner, axis=0)
    near = gaps[np.argsort(np.linalg.norm(gaps, axis=1), kind="stable")[:3]]
    turns = [np.eye(2)]
    for gap in near:
        x, y = gap / np.linalg.norm(gap)
        turns.append(np.array([[x, y], [-y, x]]))
    return turns


def _steps(values: Floats, slack: float) -> Ints | None:
    """Each value as a whole number of even steps, None if the pitch is not even."""
    order = np.argsort(values, kind="stable")
    level = np.concatenate([[0], np.cumsum(np.diff(values[order]) > 2 * slack)])
    means = np.bincount(level, weights=values[order]) / np.bincount(level)
    if len(means) > 2 and np.ptp(np.diff(means)) > 2 * slack:
        return None
    result = np.empty(len(values), dtype=np.int64)
    result[order] = level
    return result


def _row(places: Floats, slack: float) -> _Found | None:
    """Longest run of evenly spaced places on one line; of equals the first found."""
    tree = cKDTree(places)
    best: tuple[int, ...] = ()
    for start, following in permutations(range(len(places)), 2):
        step = places[following] - places[start]
        run = [start, following]
        while np.linalg.norm(step) > 4 * slack:
            distance, index = tree.query(places[run[-1]] + step)
            if distance > slack or int(index) in run:
                break
            run.append(int(index))
        best = tuple(run) if len(run) > len(best) else best
    if len(best) < LEAST_MEMBERS:
        return None
    return _Found(PatternKind.LINE, best, places[list(best)].mean(axis=0))


def _feature(found: _Found, family: Sequence[_Hole], normal: Floats) -> Feature:
    members = [family[index].feature for index in sorted(found.members)]
    plane = across(normal)
    height = float(np.mean([member.point_mm @ normal for member in members]))
    return Feature(
        id="",
        kind=FeatureKind.PATTERN,
        triangles=np.sort(np.concatenate([member.triangles for member in members])),
        faces=np.sort(np.concatenate([member.faces for member in members])),
        name=None,
        point_mm=found.centre @ plane + height * normal,
        direction=normal,
        radius_mm=found.radius_mm,
        is_internal=True,
        members=tuple(member.id for member in members),
        pattern=found.kind,
        area_mm2=float(sum(member.area_mm2 for member in members)),
        form_mm=max(member.form_mm for member in members),
    )

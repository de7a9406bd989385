"""A body, what is cut out of it, and the features that leaves: truth by construction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.support.solids import cone, cut, cylinder, fuse, obround
from worker.features.records import FeatureKind, PatternKind

Point = tuple[float, float, float]
X, Y, Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
POINT_ANGLE_RAD = np.radians(59.0)  # half of a 118 degree drill's


@dataclass(frozen=True, kw_only=True)
class Truth:
    """One feature as constructed.

    point_mm : as in ``Feature``; of a plane any place of its surface
    direction : as in ``Feature``;  ``size``: radius, or width of a slot
    """

    kind: FeatureKind
    point_mm: Point
    direction: Point | None = None
    size_mm: float | None = None
    depth_mm: float | None = None
    is_through: bool | None = None
    is_internal: bool = False
    half_angle_rad: float | None = None
    length_mm: float | None = None
    pattern: PatternKind | None = None
    member_count: int = 0


@dataclass
class Piece:
    """A body, what is cut out of it, and the features that gives."""

    body: Any
    tools: list[Any] = field(default_factory=list)
    truths: list[Truth] = field(default_factory=list)

    def solid(self) -> Any:
        return cut(self.body, self.tools) if self.tools else self.body

    def planes(self, *faces: tuple[Point, Point]) -> Piece:
        """A place of its surface and the outward normal of each."""
        self.truths += [Truth(kind=FeatureKind.PLANE, point_mm=at, direction=unit(out)) for at, out in faces]
        return self

    def box_planes(self, low: Point, high: Point, *, at: float = 0.03) -> Piece:
        """All six faces of a box, told by a place near one of their corners."""
        for axis in range(3):
            for end, sign in ((low, -1.0), (high, 1.0)):
                place = np.asarray(low) + at * (np.asarray(high) - np.asarray(low))
                place[axis] = end[axis]
                self.planes((_point(place), _point(sign * np.eye(3)[axis])))
        return self

    def boss(self, start: Point, axis: Point, radius: float, length: float) -> Piece:
        self._axial(FeatureKind.BOSS, start, axis, (radius, length), is_through=None)
        return self

    def through(self, start: Point, axis: Point, radius: float, length: float, *, cutter: bool = True) -> Piece:
        """A hole open at both ends; the tool reaches a little farther."""
        if cutter:
            self.tools.append(cylinder(_along(start, axis, -3.0), axis, radius, length + 6.0))
        self._axial(FeatureKind.HOLE, start, axis, (radius, length), is_through=True)
        return self

    def blind(self, mouth: Point, axis: Point, radius: float, depth: float) -> Piece:
        """A flat-bottomed hole; ``axis`` points out of its mouth."""
        inward = _point(-np.asarray(axis))
        self.tools.append(cylinder(_along(mouth, axis, 3.0), inward, radius, depth + 3.0))
        self._axial(FeatureKind.HOLE, _along(mouth, axis, -depth), axis, (radius, depth), is_through=False)
        return self.planes((_along(mouth, axis, -depth, 0.8 * radius), axis))

    def drilled(self, mouth: Point, axis: Point, radius: float, depth: float) -> Piece:
        """A blind hole with the point of a 118 degree drill; depth to the shoulder."""
        inward, tip = _point(-np.asarray(axis)), radius / np.tan(POINT_ANGLE_RAD)
        drill = [
            cylinder(_along(mouth, axis, 3.0), inward, radius, depth + 3.0),
            cone(_along(mouth, axis, -depth), inward, (radius, 0.0), tip),
        ]
        self.tools.append(fuse(drill))
        self._axial(FeatureKind.HOLE, _along(mouth, axis, -depth), axis, (radius, depth), is_through=False)
        return self.cone(_along(mouth, axis, -depth - tip), axis, (0.0, radius), tip, is_internal=True)

    def cone(self, start: Point, axis: Point, radii: tuple[float, float], length: float, *, is_internal: bool) -> Piece:
        """A cone that widens along ``axis``; the solid is the caller's."""
        self.truths.append(
            Truth(
                kind=FeatureKind.CONE,
                point_mm=_along(start, axis, length / 2),
                direction=unit(axis),
                size_mm=sum(radii) / 2,
                depth_mm=length,
                is_internal=is_internal,
                half_angle_rad=float(np.arctan((radii[1] - radii[0]) / length)),
            )
        )
        return self

    def counterbored(self, mouth: Point, axis: Point, radii: tuple[float, float], depths: tuple[float, float]) -> Piece:
        """A through hole and its counterbore; depths: of the counterbore, of the whole."""
        small, large = radii
        floor = _along(mouth, axis, -depths[0])
        self.tools.append(cylinder(floor, axis, large, depths[0] + 3.0))
        self._axial(FeatureKind.HOLE, floor, axis, (large, depths[0]), is_through=False)
        self.through(_along(mouth, axis, -depths[1]), axis, small, depths[1] - depths[0])
        return self.planes((_along(mouth, axis, -depths[0], (small + large) / 2), axis))

    def countersunk(self, mouth: Point, axis: Point, radii: tuple[float, float], length: float) -> Piece:
        """A through hole with a 90 degree countersink."""
        small, large = radii
        sink = large - small
        self.tools.append(cone(_along(mouth, axis, -sink), axis, (small, large + 1.0), sink + 1.0))
        self.cone(_along(mouth, axis, -sink), axis, (small, large), sink, is_internal=True)
        return self.through(_along(mouth, axis, -length), axis, small, length - sink)

    def slot(self, ends: tuple[Point, Point], axis: Point, radius: float, depth: float, *, is_through: bool) -> Piece:
        """An obround slot from its mouth (``ends`` lie in it) down; ``axis`` points out."""
        start, end = np.asarray(ends[0]), np.asarray(ends[1])
        below = depth + 3.0 if is_through else depth
        deep = (_along(ends[0], axis, -below), _along(ends[1], axis, -below))
        self.tools.append(obround(deep, axis, radius, below + 3.0))
        self.truths.append(
            Truth(
                kind=FeatureKind.SLOT,
                point_mm=_along(_point((start + end) / 2), axis, -depth / 2),
                direction=unit(axis),
                size_mm=2 * radius,
                depth_mm=depth,
                is_through=is_through,
                is_internal=True,
                length_mm=float(np.linalg.norm(end - start)) + 2 * radius,
            )
        )
        return self if is_through else self.planes((_along(_point((start + end) / 2), axis, -depth), axis))

    def ball(self, centre: Point, radius: float, *, is_internal: bool) -> Piece:
        self.truths.append(Truth(kind=FeatureKind.SPHERE, point_mm=centre, size_mm=radius, is_internal=is_internal))
        return self

    def pattern(self, kind: PatternKind, centre: Point, axis: Point, count: int, radius: float | None = None) -> Piece:
        self.truths.append(
            Truth(
                kind=FeatureKind.PATTERN,
                point_mm=centre,
                direction=unit(axis),
                size_mm=radius,
                is_internal=True,
                pattern=kind,
                member_count=count,
            )
        )
        return self

    def _axial(
        self, kind: FeatureKind, start: Point, axis: Point, size: tuple[float, float], *, is_through: bool | None
    ) -> None:
        radius, length = size
        self.truths.append(
            Truth(
                kind=kind,
                point_mm=_along(start, axis, length / 2),
                direction=unit(axis),
                size_mm=radius,
                depth_mm=length,
                is_through=is_through,
                is_internal=kind is FeatureKind.HOLE,
            )
        )


def _point(values: Sequence[float] | Any) -> Point:
    x, y, z = (float(value) for value in values)
    return x, y, z


def unit(axis: Point) -> Point:
    return _point(np.asarray(axis) / np.linalg.norm(axis))


def _along(start: Point, axis: Point, length: float, aside: float = 0.0) -> Point:
    """A point along the axis, and ``aside`` from it towards the part axis that is least along it."""
    direction = np.asarray(unit(axis))
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    sideways = helper - (helper @ direction) * direction
    return _point(np.asarray(start) + length * direction + aside * sideways / np.linalg.norm(sideways))

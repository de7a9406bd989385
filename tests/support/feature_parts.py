"""Parts whose every feature is known by construction: what was drilled, milled and left standing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np

from tests.support.solids import (
    bent_tube,
    blended,
    box,
    cone,
    cut,
    cylinder,
    fuse,
    loft,
    obround,
    prism,
    rounded,
    sphere,
)
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
        self.truths += [Truth(kind=FeatureKind.PLANE, point_mm=at, direction=_unit(out)) for at, out in faces]
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
                direction=_unit(axis),
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
                direction=_unit(axis),
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
                direction=_unit(axis),
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
                direction=_unit(axis),
                size_mm=radius,
                depth_mm=length,
                is_through=is_through,
                is_internal=kind is FeatureKind.HOLE,
            )
        )


def _point(values: Sequence[float] | Any) -> Point:
    x, y, z = (float(value) for value in values)
    return x, y, z


def _unit(axis: Point) -> Point:
    return _point(np.asarray(axis) / np.linalg.norm(axis))


def _along(start: Point, axis: Point, length: float, aside: float = 0.0) -> Point:
    """A point along the axis, and ``aside`` from it towards the part axis that is least along it."""
    direction = np.asarray(_unit(axis))
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    sideways = helper - (helper @ direction) * direction
    return _point(np.asarray(start) + length * direction + aside * sideways / np.linalg.norm(sideways))


def drilled_plate() -> Piece:
    """Every way to make a hole, in one plate, and a slot."""
    piece = Piece(box((0, 0, 0), (140, 90, 20))).box_planes((0, 0, 0), (140, 90, 20))
    for x in (15.0, 70.0, 125.0):
        for y in (12.0, 78.0):
            piece.through((x, y, 0), Z, 4.0, 20)
    piece.pattern(PatternKind.GRID, (70, 45, 10), Z, 6)
    for x in (30.0, 50.0):
        piece.counterbored((x, 30, 20), Z, (3.0, 6.0), (7.0, 20.0))
    for x in (30.0, 50.0):
        piece.countersunk((x, 58, 20), Z, (3.5, 7.0), 20.0)
    for x in (90.0, 105.0):
        piece.drilled((x, 30, 20), Z, 2.5, 9.0)
    piece.drilled((0, 45, 10), (-1, 0, 0), 3.0, 14.0).drilled((140, 45, 10), X, 3.0, 11.0)
    return piece.slot(((92, 58, 20), (112, 58, 20)), Z, 5.0, 20.0, is_through=True)


def hub_flange() -> Piece:
    """A hubbed flange: bolt circle, pin, four blind holes in the hub, chamfered edges."""
    body = fuse(
        [
            cylinder((0, 0, 0), Z, 60, 12),
            cylinder((0, 0, 12), Z, 32, 16),
            cone((0, 0, 28), Z, (32, 30), 2),
        ]
    )
    piece = Piece(body).planes(((58, 0, 0), (0, 0, -1)), ((56, 5, 12), Z), ((29, 0, 30), Z))
    piece.boss((0, 0, 0), Z, 60, 12).boss((0, 0, 12), Z, 32, 16)
    piece.cone((0, 0, 30), (0, 0, -1), (30, 32), 2, is_internal=False)
    for angle in np.arange(8) * np.pi / 4:
        piece.through((46 * np.cos(angle), 46 * np.sin(angle), 0), Z, 5.5, 12)
    piece.pattern(PatternKind.CIRCLE, (0, 0, 6), Z, 8, 46)
    for angle in np.pi / 6 + np.arange(4) * np.pi / 2:
        piece.blind((25 * np.cos(angle), 25 * np.sin(angle), 30), Z, 2.5, 10)
    piece.pattern(PatternKind.CIRCLE, (0, 0, 25), Z, 4, 25)
    piece.through((46 * np.cos(np.pi / 8), 46 * np.sin(np.pi / 8), 0), Z, 3, 12)
    return piece.through((0, 0, 0), Z, 20, 30)


def open_housing() -> Piece:
    """A shell with rounded inner corners, four standing bosses, ports in two sides."""
    hollow = rounded(box((6, 6, 6), (98, 78, 60)), 6.0, along=Z)
    corners = [(x, y) for x in (22.0, 88.0) for y in (20.0, 70.0)]
    body = fuse([cut(box((0, 0, 0), (110, 90, 50)), [hollow]), *[cylinder((x, y, 5), Z, 7, 21) for x, y in corners]])
    piece = Piece(body).box_planes((0, 0, 0), (110, 90, 50))
    piece.planes(
        ((55, 45, 6), Z), ((6, 30, 30), X), ((104, 30, 30), (-1, 0, 0)), ((30, 6, 30), Y), ((30, 84, 30), (0, -1, 0))
    )
    for x, y in corners:
        piece.boss((x, y, 6), Z, 7, 20).planes(((x + 5, y, 26), Z)).blind((x, y, 26), Z, 2.5, 12)
    piece.pattern(PatternKind.GRID, (55, 45, 20), Z, 4)
    piece.through((0, 45, 28), X, 10, 6).through((104, 45, 28), X, 10, 6)
    return piece.through((40, 0, 30), Y, 4, 6).through((70, 0, 30), Y, 4, 6)


def turned_shaft() -> Piece:
    """Steps, a groove, a taper, chamfers, a centre hole and a keyway."""
    body = fuse(
        [
            cone((0, 0, 0), Z, (13, 15), 2),
            cylinder((0, 0, 2), Z, 15, 48),
            cylinder((0, 0, 50), Z, 24, 30),
            cylinder((0, 0, 80), Z, 16, 5),
            cylinder((0, 0, 85), Z, 20, 25),
            cone((0, 0, 110), Z, (18, 12), 40),
        ]
    )
    piece = Piece(body).planes(
        ((11, 0, 0), (0, 0, -1)), ((20, 0, 50), (0, 0, -1)), ((22, 0, 80), Z), ((18.5, 0, 85), (0, 0, -1))
    )
    piece.planes(((19, 0, 110), Z), ((10, 0, 150), Z))
    piece.cone((0, 0, 0), Z, (13, 15), 2, is_internal=False)
    piece.cone((0, 0, 150), (0, 0, -1), (12, 18), 40, is_internal=False)
    for z, radius, length in ((2, 15, 48), (50, 24, 30), (80, 16, 5), (85, 20, 25)):
        piece.boss((0, 0, z), Z, radius, length)
    piece.drilled((0, 0, 150), Z, 5, 30)
    piece.tools.append(obround(((19, 0, 58), (19, 0, 72)), X, 4, 20))
    mouth = _keyway_mouth_mm(24, 4, 7)
    piece.truths.append(
        Truth(
            kind=FeatureKind.SLOT,
            point_mm=((19 + mouth) / 2, 0, 65),
            direction=X,
            size_mm=8,
            depth_mm=mouth - 19,
            is_through=False,
            is_internal=True,
            length_mm=22,
        )
    )
    return piece.planes(((19, 0, 65), X))


def _keyway_mouth_mm(shaft_radius: float, radius: float, half_run: float) -> float:
    """Mean height round its middle of the mouth of a keyway in a round shaft."""
    angle = (np.arange(20000) + 0.5) / 20000 * np.pi / 2
    on_flat = radius / np.sin(angle) * np.cos(angle) < half_run
    run, rise = half_run * np.cos(angle), half_run * np.sin(angle)
    reach = np.where(on_flat, radius / np.sin(angle), run + np.sqrt(np.maximum(radius**2 - rise**2, 0.0)))
    return float(np.sqrt(shaft_radius**2 - (reach * np.sin(angle)) ** 2).mean())


def bent_manifold() -> Piece:
    """A block with three bent passages, plug bosses and a row of studs."""
    low, high = (0.0, 0.0, 0.0), (190.0, 80.0, 60.0)
    piece = Piece(box(low, high)).box_planes(low, high, at=0.02)
    for x in (35.0, 95.0, 155.0):
        piece.tools.append(bent_tube((x, -5, 30), (x, 45, 30), (x, 45, 70), radius_mm=13, bend_mm=22))
        piece.through((x, 0, 30), Y, 13, 23, cutter=False).through((x, 45, 52), Z, 13, 8, cutter=False)
        for z in (9.0, 51.0):
            piece.blind((x, 0, z), (0, -1, 0), 3, 12)
    piece.pattern(PatternKind.GRID, (95, 6, 30), Y, 6)
    piece.pattern(PatternKind.LINE, (95, 11.5, 30), Y, 3).pattern(PatternKind.LINE, (95, 45, 56), Z, 3)
    for x in (10.0, 65.0, 125.0, 180.0):
        piece.through((x, 70, 0), Z, 4.5, 60)
    return piece.countersunk((65, 30, 60), Z, (3, 6), 60.0).countersunk((125, 30, 60), Z, (3, 6), 60.0)


def filleted_casting() -> Piece:
    """A box with every edge rounded, bosses blended into it, drilled and spot-faced."""
    body = rounded(box((0, 0, 0), (120, 80, 30)), 4.0)
    centres = [(25.0, 20.0), (95.0, 20.0), (25.0, 60.0), (95.0, 60.0)]
    body = fuse([body, *[cylinder((x, y, 28), Z, 9, 14) for x, y in centres]])
    for x, y in centres:
        body = blended(body, (x, y, 30), 9, 3.0)
    piece = Piece(body).planes(((60, 10, 30), Z), ((60, 40, 0), (0, 0, -1)), ((0, 20, 15), (-1, 0, 0)))
    piece.planes(((120, 20, 15), X), ((60, 0, 15), (0, -1, 0)), ((60, 80, 15), Y))
    for x, y in centres:
        piece.boss((x, y, 33), Z, 9, 9).planes(((x + 7, y, 42), Z)).drilled((x, y, 42), Z, 3.3, 20)
    piece.pattern(PatternKind.GRID, (60, 40, 32), Z, 4)
    piece.blind((60, 40, 30), Z, 12, 4)
    return piece.through((0, 40, 12), X, 6, 120)


def ball_part() -> Piece:
    """A ball on a shank and base, dimples in the base, ball-nosed holes beside them."""
    rise = 20 * np.cos(np.arcsin(8 / 20))
    body = fuse([cylinder((0, 0, 0), Z, 40, 14), cylinder((0, 0, 10), Z, 8, 50), sphere((0, 0, 60), 20)])
    piece = Piece(body).planes(((38, 0, 0), (0, 0, -1)), ((38, 0, 14), Z))
    piece.boss((0, 0, 0), Z, 40, 14).boss((0, 0, 14), Z, 8, 46 - rise).ball((0, 0, 60), 20, is_internal=False)
    for angle in np.radians([0.0, 120.0, 240.0]):
        centre = (25 * float(np.cos(angle)), 25 * float(np.sin(angle)), 17.0)
        piece.tools.append(sphere(centre, 6))
        piece.ball(centre, 6, is_internal=True)
    for angle in np.radians([60.0, 180.0, 300.0]):
        x, y = 25 * float(np.cos(angle)), 25 * float(np.sin(angle))
        piece.tools.append(fuse([cylinder((x, y, 8), Z, 4, 20), sphere((x, y, 8), 4)]))
        piece.ball((x, y, 8), 4, is_internal=True)
        piece.truths.append(
            Truth(
                kind=FeatureKind.HOLE,
                point_mm=(x, y, 11),
                direction=Z,
                size_mm=4,
                depth_mm=6,
                is_through=False,
                is_internal=True,
            )
        )
    return piece.pattern(PatternKind.CIRCLE, (0, 0, 11), Z, 3, 25)


def fork() -> Piece:
    """Two cheeks with round ends on a base; the pin holes in line are two features."""
    cheeks = []
    for y in (0.0, 30.0):
        cheeks.append(box((-15, y, 0), (30, 10, 50)))
        cheeks.append(cylinder((0, y, 50), Y, 15, 10))
    body = fuse([box((-35, 0, -15), (70, 40, 15)), *cheeks])
    piece = Piece(body).planes(((-30, 20, -15), (0, 0, -1)), ((-35, 20, -8), (-1, 0, 0)), ((35, 20, -8), X))
    piece.planes(((0, 0, 20), (0, -1, 0)), ((0, 40, 20), Y), ((0, 10, 20), Y), ((0, 30, 20), (0, -1, 0)))
    for y in (5.0, 35.0):
        piece.planes(((-15, y, 20), (-1, 0, 0)), ((15, y, 20), X)).boss((0, y - 5, 50), Y, 15, 10)
        piece.through((0, y - 5, 50), Y, 7, 10)
    piece.planes(((25, 3, 0), Z))  # one upper face: it runs through between the cheeks
    for x in (-26.0, 26.0):
        piece.counterbored((x, 20, 0), Z, (3.3, 5.5), (5.0, 15.0))
    return piece.through((0, 20, -15), Z, 5, 15)


def slotted_plate() -> Piece:
    """Slots straight and slanting, through and blind; a bolt circle, a row."""
    piece = Piece(box((0, 0, 0), (160, 100, 12))).box_planes((0, 0, 0), (160, 100, 12), at=0.02)
    piece.slot(((15, 15, 12), (45, 15, 12)), Z, 4, 12, is_through=True)
    piece.slot(((15, 85, 12), (40, 70, 12)), Z, 3, 12, is_through=True)
    piece.slot(((70, 12, 12), (95, 12, 12)), Z, 5, 6, is_through=False)
    piece.slot(((125, 20, 12), (140, 40, 12)), Z, 4.5, 7, is_through=False)
    for angle in np.arange(6) * np.pi / 3:
        piece.through((80 + 22 * np.cos(angle), 58 + 22 * np.sin(angle), 0), Z, 3.2, 12)
    piece.pattern(PatternKind.CIRCLE, (80, 58, 6), Z, 6, 22).through((80, 58, 0), Z, 9, 12)
    for x in (110.0, 120.0, 130.0, 140.0, 150.0):
        piece.drilled((x, 88, 12), Z, 2, 6)
    return piece.pattern(PatternKind.LINE, (130, 88, 9), Z, 5)


def slanted_block() -> Piece:
    """Holes square to a slanted face, a crossed bore, a gallery into it, a passage with two in-line walls."""
    outline = [(0.0, 0.0, 0.0), (100.0, 0.0, 0.0), (100.0, 0.0, 30.0), (60.0, 0.0, 60.0), (0.0, 0.0, 60.0)]
    piece = Piece(prism(outline, (0, 70, 0)))
    out = _unit((30, 0, 40))
    piece.planes(((2, 2, 0), (0, 0, -1)), ((100, 2, 15), X), ((62, 2, 58.5), out), ((5, 2, 60), Z))
    piece.planes(((0, 2, 20), (-1, 0, 0)), ((50, 0, 5), (0, -1, 0)), ((50, 70, 5), Y))
    for y in (15.0, 55.0):
        piece.blind((80, y, 45), out, 4, 15)
    piece.counterbored((30, 50, 60), Z, (5.0, 9.0), (8.0, 60.0))
    piece.through((18, 0, 40), Y, 8, 70)  # the crossed bore
    piece.tools.append(cylinder((18, 35, 40), Z, 3, 30))  # a gallery from the top into it
    rim = np.sqrt(64 - 9 * np.cos(np.linspace(0, 2 * np.pi, 20001)[:-1]) ** 2).mean()
    piece.truths.append(
        Truth(
            kind=FeatureKind.HOLE,
            point_mm=(18, 35, (100 + rim) / 2),
            direction=Z,
            size_mm=3,
            depth_mm=20 - rim,
            is_through=True,
            is_internal=True,
        )
    )
    piece.tools.append(box((70, 20, -1), (14, 30, 21)))  # a channel from below; the in-line holes either side of it
    piece.planes(((77, 45, 20), (0, 0, -1)), ((70, 25, 12), X), ((84, 25, 12), (-1, 0, 0)))
    piece.planes(((77, 20, 18), Y), ((77, 50, 18), (0, -1, 0)))
    piece.tools.append(cylinder((77, -3, 10), Y, 4, 76))
    for start in (0.0, 50.0):
        piece.through((77, start, 10), Y, 4, 20, cutter=False)
    return piece


def ported_block() -> Piece:
    """Freeform ports, which are no features, with guides, seats and bolt holes that are."""
    low, high = (0.0, 0.0, 0.0), (150.0, 90.0, 70.0)
    piece = Piece(box(low, high)).box_planes(low, high, at=0.02)
    for x in (45.0, 105.0):
        sections = [
            ((x, 45.0, -2.0), Z, (14.0, 14.0)),
            ((x, 44.0, 14.0), (0.0, -0.25, 1.0), (13.0, 11.5)),
            ((x, 33.0, 31.0), (0.0, -1.0, 1.0), (12.0, 11.0)),
            ((x, 17.0, 38.0), (0.0, -1.0, 0.3), (15.0, 10.0)),
            ((x, -2.0, 40.0), (0.0, -1.0, 0.0), (18.0, 11.0)),
        ]
        piece.tools.append(loft(sections))
        piece.tools.append(cone((x, 45, 0), (0, 0, -1), (15, 18), 3.0))
        piece.tools.append(cylinder((x, 45, -1), Z, 17.5, 6))
        piece.truths.append(
            Truth(
                kind=FeatureKind.HOLE,
                point_mm=(x, 45, 2.5),
                direction=(0, 0, -1),
                size_mm=17.5,
                depth_mm=5,
                is_through=False,
                is_internal=True,
            )
        )
        piece.planes(((x + 16.5, 45, 5), (0, 0, -1)))
        piece.blind((x - 20, 0, 40), (0, -1, 0), 2.5, 14).blind((x + 20, 0, 40), (0, -1, 0), 2.5, 14)
        piece.counterbored((x, 75, 70), Z, (4, 10), (5, 70))
    for x in (12.0, 75.0, 138.0):
        for y in (10.0, 80.0):
            piece.through((x, y, 0), Z, 5, 70)
    return piece.pattern(PatternKind.GRID, (75, 45, 35), Z, 6)


FEATURE_PARTS: Mapping[str, Callable[[], Piece]] = MappingProxyType(
    {
        "drilled_plate": drilled_plate,
        "hub_flange": hub_flange,
        "open_housing": open_housing,
        "turned_shaft": turned_shaft,
        "bent_manifold": bent_manifold,
        "filleted_casting": filleted_casting,
        "ball_part": ball_part,
        "fork": fork,
        "slotted_plate": slotted_plate,
        "slanted_block": slanted_block,
        "ported_block": ported_block,
    }
)

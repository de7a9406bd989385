"""Parts whose every feature is known by construction: what was drilled, milled and left standing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from tests.support.feature_truth import Piece, Truth, X, Y, Z, unit
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
    out = unit((30, 0, 40))
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

"""Test parts made by script: invented pieces of the kinds a small engine shop casts.

Every part is a :class:`worker.records.Nominal` built in memory; nothing is read or kept on disk.
Only ``plain_flange`` has an exact rotational symmetry.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np

from tests.support.solids import Tool, bent_tube, box, cut, cut_named, cylinder, fuse, prism, sphere, tessellated
from worker.records import Nominal

Shift = tuple[float, float, float]
NO_SHIFT: Shift = (0.0, 0.0, 0.0)

HEAD_SIZE_MM = (160.0, 140.0, 90.0)
HEAD_BOLTS_MM = (
    *((x, y) for x in (10.0, 80.0, 150.0) for y in (10.0, 130.0)),
    *((x, y) for x in (10.0, 150.0) for y in (52.0, 90.0)),
)
HEAD_BOLT_RADIUS_MM = 5.0
HEAD_PORTS: Mapping[str, tuple[tuple[float, float], float, float]] = MappingProxyType(
    {  # valve seat centre (x, y), y where the port leaves the block, radius
        "intake_1": ((38.0, 46.0), -20.0, 15.0),
        "intake_2": ((118.0, 46.0), -20.0, 15.0),
        "exhaust_1": ((44.0, 94.0), 160.0, 12.5),
        "exhaust_2": ((112.0, 94.0), 160.0, 12.5),
    }
)


@lru_cache(maxsize=16)
def head_block(core_shift_mm: Shift = NO_SHIFT, core: str = "intake_1") -> Nominal:
    """Cylinder-head-like block: four bent ports, a water jacket round them, ten bolt holes, plug bosses.

    core_shift_mm : how far the core named ``core`` (a port of ``HEAD_PORTS``, or ``jacket``) sits off;
        the jacket keeps clear of where the ports should be, as real cores do not know of each other.
    """
    shifts = {name: core_shift_mm if name == core else NO_SHIFT for name in (*HEAD_PORTS, "jacket")}
    length, _, height = HEAD_SIZE_MM
    block = fuse(
        [
            box((0, 0, 0), HEAD_SIZE_MM),
            cylinder((40, 70, 70), (0, 0, 1), 14, height - 60),
            cylinder((115, 70, 70), (0, 0, 1), 14, height - 60),
            box((60, 118, 70), (30, 16, 32)),
        ]
    )
    bolts = [Tool("bolt", cylinder((x, y, -1), (0, 0, 1), HEAD_BOLT_RADIUS_MM, height + 2)) for x, y in HEAD_BOLTS_MM]
    plugs = [Tool("plug", cylinder((x, 70, -1), (0, 0, 1), 6, height + 20)) for x in (40, 115)]
    outside = [
        Tool("relief", box((length - 30, -1, 60), (31, 30, 40))),
        Tool("pocket", cylinder((25, 110, height - 8), (0, 0, 1), 9, 10)),
    ]
    ports = [Tool(name, head_port(name, shifts[name])) for name in HEAD_PORTS]
    tools = [*bolts, *plugs, *outside, *ports, Tool("jacket", head_jacket(shifts["jacket"]))]
    return tessellated(*cut_named(block, tools))


def head_port(name: str, shift_mm: Shift = NO_SHIFT, *, growth_mm: float = 0.0) -> Any:
    """The core of one port as a solid, optionally fatter all round."""
    (x, y), outlet_y, radius = HEAD_PORTS[name]
    start, corner, end = (np.add(point, shift_mm) for point in ((x, y, -20), (x, y, 42), (x, outlet_y, 42)))
    return bent_tube(tuple(start), tuple(corner), tuple(end), radius_mm=radius + growth_mm, bend_mm=25)


def head_jacket(shift_mm: Shift = NO_SHIFT) -> Any:
    """The water-jacket core: a chamber round the ports, its outlets through one end and the deck."""
    dx, dy, dz = shift_mm
    hollow = box((14 + dx, 14 + dy, 14 + dz), (132, 112, 62))
    kept = [head_port(name, growth_mm=5) for name in HEAD_PORTS]
    kept += [cylinder((x, y, 0), (0, 0, 1), HEAD_BOLT_RADIUS_MM + 6, 120) for x, y in HEAD_BOLTS_MM]
    kept += [cylinder((x, 70, 0), (0, 0, 1), 12, 120) for x in (40, 115)]
    outlets = [cylinder((140 + dx, y + dy, 52 + dz), (1, 0, 0), 8, 30) for y in (35, 105)]
    outlets += [cylinder((x + dx, 70 + dy, -10 + dz), (0, 0, 1), 5, 30) for x in (62, 78, 94)]
    return fuse([cut(hollow, kept), *outlets])


@lru_cache(maxsize=1)
def bracket() -> Nominal:
    """Angle bracket with one gusset and five holes of three sizes."""
    body = fuse(
        [
            box((0, 0, 0), (95, 64, 8)),
            box((0, 0, 0), (8, 64, 74)),
            prism([(8, 20, 8), (58, 20, 8), (8, 20, 58)], (0, 7, 0)),
            cylinder((0, 44, 52), (1, 0, 0), 13, 16),
        ]
    )
    holes = [cylinder((x, y, -1), (0, 0, 1), r, 30) for x, y, r in ((80, 12, 4.5), (80, 52, 4.5), (36, 50, 3.3))]
    holes += [cylinder((-1, y, z), (1, 0, 0), r, 40) for y, z, r in ((12, 62, 4.5), (44, 52, 6))]
    return tessellated(cut(body, holes))


@lru_cache(maxsize=2)
def flange(*, has_pin: bool = True) -> Nominal:
    """Hubbed flange with eight equal holes and, between two of them, one pin hole of 6 mm."""
    body = fuse([cylinder((0, 0, 0), (0, 0, 1), 60, 12), cylinder((0, 0, 0), (0, 0, 1), 32, 30)])
    angles = np.arange(8) * np.pi / 4
    holes = [cylinder((46 * np.cos(a), 46 * np.sin(a), -1), (0, 0, 1), 5.5, 20) for a in angles]
    holes.append(cylinder((0, 0, -1), (0, 0, 1), 20, 50))
    if has_pin:
        holes.append(cylinder((*PIN_HOLE_MM[:2], -1), (0, 0, 1), 3, 20))
    return tessellated(cut(body, holes))


PIN_HOLE_MM = (46 * float(np.cos(np.pi / 8)), 46 * float(np.sin(np.pi / 8)), 6.0)


def plain_flange() -> Nominal:
    """The flange without its pin hole: eight poses are the same."""
    return flange(has_pin=False)


@lru_cache(maxsize=1)
def housing() -> Nominal:
    """Square open housing, four-fold but for one side port, one rib and one shifted boss hole."""
    shell = cut(box((0, 0, 0), (110, 110, 55)), [box((6, 6, 6), (98, 98, 60))])
    corners = [(x, y) for x in (14, 96) for y in (14, 96)]
    bosses = [cylinder((x, y, 0), (0, 0, 1), 9, 55) for x, y in corners]
    body = fuse([shell, *bosses, box((50, 0, 0), (4, 104, 18)), cylinder((100, 40, 28), (1, 0, 0), 13, 22)])
    holes = [cylinder((x, y, 20), (0, 0, 1), 3.4, 40) for x, y in corners]
    holes += [cylinder((90, 40, 28), (1, 0, 0), 8, 40), cylinder((82, 20, -1), (0, 0, 1), 4, 10)]
    return tessellated(cut(body, holes))


@lru_cache(maxsize=1)
def manifold() -> Nominal:
    """Long manifold: a bar with four equal runners, a carrier flange, and an outlet at one end."""
    pitch = 62.0
    centres = [32 + pitch * index for index in range(4)]
    body = fuse(
        [
            box((0, 0, 0), (250, 10, 62)),
            *[cylinder((x, 0, 31), (0, 1, 0), 19, 45) for x in centres],
            cylinder((10, 52, 31), (1, 0, 0), 21, 250),
            box((250, 30, 9), (10, 44, 44)),
            cylinder((120, 52, 31), (0, 0, 1), 10, 36),
        ]
    )
    hollow = [cylinder((x, -1, 31), (0, 1, 0), 14, 50) for x in centres]
    hollow += [cylinder((20, 52, 31), (1, 0, 0), 16, 260), cylinder((120, 52, 31), (0, 0, 1), 6, 50)]
    hollow += [cylinder((x, -1, z), (0, 1, 0), 4, 20) for x in (4 + 59 * 0.5, 63, 125, 187, 245) for z in (6, 56)]
    return tessellated(cut(body, hollow))


@lru_cache(maxsize=1)
def stepped_shaft() -> Nominal:
    """Three steps, a centre bore at one end, one keyway and one small flat: all that clocks it."""
    body = fuse([cylinder((0, 0, z), (0, 0, 1), r, h) for z, r, h in ((0, 15, 60), (60, 24, 50), (110, 18, 70))])
    tools = [
        box((-4, 11, 10), (8, 10, 36)),
        box((16.2, -20, 125), (10, 40, 25)),
        cylinder((0, 0, 160), (0, 0, 1), 6, 30),
    ]
    return tessellated(cut(body, tools))


@lru_cache(maxsize=1)
def lever() -> Nominal:
    """Rocker-like lever: unequal bosses on a slanting web, a pad and an oil hole."""
    body = fuse(
        [
            cylinder((0, 0, 0), (0, 0, 1), 17, 34),
            cylinder((78, 14, 6), (0, 0, 1), 12, 20),
            cylinder((-46, 20, 4), (0, 0, 1), 10, 16),
            prism([(0, -12, 9), (80, 4, 9), (76, 25, 9), (-2, 14, 9)], (0, 0, 13)),
            prism([(6, 10, 8), (-44, 29, 8), (-50, 12, 8), (-6, -13, 8)], (0, 0, 9)),
            sphere((78, 14, 26), 12),
        ]
    )
    tools = [cylinder((0, 0, -1), (0, 0, 1), 10, 40), cylinder((-46, 20, 0), (0, 0, 1), 5, 30)]
    tools.append(cylinder((0, 0, 26), (0.8, 0.6, 0.0), 2.5, 40))
    return tessellated(cut(body, tools))


@lru_cache(maxsize=1)
def pump_cover() -> Nominal:
    """Domed cover with a tangential outlet and three unevenly spaced lugs."""
    dome = cut(sphere((0, 0, 0), 48), [box((-60, -60, -120), (120, 120, 120))])
    lugs = [cylinder((52 * np.cos(a), 52 * np.sin(a), 0), (0, 0, 1), 11, 10) for a in np.radians([20.0, 130.0, 255.0])]
    body = fuse([dome, cylinder((0, 0, 0), (0, 0, 1), 52, 8), *lugs, cylinder((26, 0, 18), (0, 1, 0), 15, 70)])
    hollow = [sphere((0, 0, 0), 40), cylinder((26, 10, 18), (0, 1, 0), 10, 80)]
    hollow += [
        cylinder((54 * np.cos(a), 54 * np.sin(a), -1), (0, 0, 1), 4, 20) for a in np.radians([20.0, 130.0, 255.0])
    ]
    return tessellated(cut(body, hollow))


PARTS: Mapping[str, Callable[[], Nominal]] = MappingProxyType(
    {
        "head_block": head_block,
        "bracket": bracket,
        "flange": flange,
        "housing": housing,
        "manifold": manifold,
        "stepped_shaft": stepped_shaft,
        "lever": lever,
        "pump_cover": pump_cover,
    }
)

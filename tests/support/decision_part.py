"""The second part of the coverage benchmark: a small casting about which a shop has to decide before it pours metal.

A block of 120 x 80 x 50 mm with two like ports side by side and a conical one, a cored jacket under the first,
bolt holes between ports, jacket and sides, a guide over a throat with its spring pocket, a chamber, and a
push-rod passage of two bores.  Two bought-in parts: a bracket on its top, and a bar that turns over it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np

from tests.support.coverage_part import UP, Ball, Core, CoveragePart, Flat, Round, Shape, Spot, part_read
from tests.support.solids import box, cone, cut, cylinder, fuse, sphere, tessellated
from worker.features.records import FeatureKind
from worker.records import Body

DOWN: Spot = (0.0, 0.0, -1.0)
HALF_MM: Spot = (60.0, 40.0, 25.0)
CORE_LOW_MM, CORE_HIGH_MM = (14.0, 25.0, 6.0), (36.0, 80.0, 16.0)
BOLTS = ("bolt 1", "bolt 2", "bolt 3", "bolt 4")
SEAT_MM: Spot = (42.5, 12.0, 50.0)  # where the bracket's first bolt meets the top; the second lies 56 mm along y
LEG_LOW_MM, LEG_HIGH_MM = (54.5, 18.0, -11.0), (72.5, 46.0, 6.0)  # of the bracket's own axes, over the step
BAR_AT_MM: Spot = (25.0, 40.0, 62.0)  # about which the bar turns, along y
BAR_HALF_MM: Spot = (9.0, 10.0, 3.0)

SHAPES: Mapping[str, Shape] = MappingProxyType(
    {
        "bottom": Flat((60.0, 40.0, 0.0), DOWN, (60.0, 40.0)),
        "front": Flat((60.0, 0.0, 25.0), (0.0, -1.0, 0.0), (60.0, 25.0)),
        "left": Flat((0.0, 40.0, 25.0), (-1.0, 0.0, 0.0), (40.0, 25.0)),
        "top": Flat((47.5, 40.0, 50.0), UP, (47.5, 40.0)),
        "step": Flat((107.5, 40.0, 36.0), UP, (12.5, 40.0)),
        "step wall": Flat((95.0, 40.0, 43.0), (1.0, 0.0, 0.0), (40.0, 7.0)),
        "right": Flat((120.0, 40.0, 18.0), (1.0, 0.0, 0.0), (40.0, 18.0)),
        "back": Flat((60.0, 80.0, 25.0), (0.0, 1.0, 0.0), (60.0, 25.0)),
        "pocket floor": Flat((82.0, 24.0, 44.0), UP, (10.0, 10.0)),
        "throat roof": Flat((82.0, 24.0, 22.0), DOWN, (8.0, 8.0)),
        "shoulder": Flat((108.0, 20.0, 18.0), UP, (7.6, 7.6)),
        "port 1": Round((25.0, 0.0, 30.0), (25.0, 80.0, 30.0), 9.0),
        "port 2": Round((60.0, 0.0, 30.0), (60.0, 80.0, 30.0), 9.0),
        "port 3": Round((82.0, 62.0, 0.0), (82.0, 62.0, 50.0), 7.0, FeatureKind.CONE, slope=0.04),
        "bolt 1": Round((42.5, 12.0, 0.0), (42.5, 12.0, 50.0), 3.4),
        "bolt 2": Round((42.5, 68.0, 0.0), (42.5, 68.0, 50.0), 3.4),
        "bolt 3": Round((8.0, 12.0, 0.0), (8.0, 12.0, 50.0), 3.4),
        "bolt 4": Round((8.0, 68.0, 0.0), (8.0, 68.0, 50.0), 3.4),
        "throat": Round((82.0, 24.0, 0.0), (82.0, 24.0, 22.0), 8.0),
        "guide": Round((82.0, 24.0, 22.0), (82.0, 24.0, 44.0), 3.0),
        "pocket": Round((82.0, 24.0, 44.0), (82.0, 24.0, 50.0), 10.0),
        "rod low": Round((108.0, 20.0, 0.0), (108.0, 20.0, 18.0), 7.0),
        "rod high": Round((108.0, 20.0, 18.0), (108.0, 20.0, 36.0), 7.6),
        "chamber": Ball((106.0, 58.0, -4.0), 12.0),
        "core": Core(CORE_LOW_MM, CORE_HIGH_MM),
    }
)


@lru_cache(maxsize=1)
def decision_part() -> CoveragePart:
    """Built and read once."""
    slab = box((-6.0, -6.0, 0.0), (80.0, 68.0, 6.0))
    leg = box(LEG_LOW_MM, tuple(np.subtract(LEG_HIGH_MM, LEG_LOW_MM)))
    bar = box((-BAR_HALF_MM[0], -BAR_HALF_MM[1], -BAR_HALF_MM[2]), tuple(2 * np.array(BAR_HALF_MM)))
    bodies = (_body("bracket", fuse([slab, leg])), _body("bar", bar))
    return part_read(_solid(), SHAPES, (22.0, 61.0, 10.0), bodies)


def _body(name: str, solid: Any) -> Body:
    mesh = tessellated(solid)
    return Body(name, "part", mesh.vertices_mm, mesh.triangles)


def _solid() -> Any:
    lowered = cut(box((0.0, 0.0, 0.0), (120.0, 80.0, 50.0)), [box((95.0, -1.0, 36.0), (26.0, 82.0, 20.0))])
    drills = [_drill(shape) for shape in SHAPES.values() if isinstance(shape, Round) and not shape.slope]
    tools = [*drills, cone((82.0, 62.0, 0.0), UP, (6.0, 8.0), 50.0), sphere((106.0, 58.0, -4.0), 12.0)]
    return cut(lowered, [*tools, box(CORE_LOW_MM, (22.0, 61.0, 10.0))])


def _drill(bore: Round) -> Any:
    """From end to end."""
    return cylinder(bore.start_mm, tuple(bore.axes[2]), bore.radius_mm, 2 * bore.half_mm)

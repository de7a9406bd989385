"""Invented valve gear for the mock-up of the demonstration head: a rocker stand and an arm, in their own axes.

Both are drawn where their maker would draw them, about their own origins; the plan of the casting
says where they sit.  Lengths are mm.
"""

from __future__ import annotations

from demo.geometry import design as d
from demo.geometry.solids import Shape, box, cut, cylinder, fused

ALONG_X = (1.0, 0.0, 0.0)
UP = (0.0, 0.0, 1.0)
BASE_HALF_SIZE = (32.0, 11.0)
BASE_HEIGHT = 13.0
SHAFT_HEIGHT = 26.0  # of the shaft's axis above the seat
SHAFT_RADIUS = 8.0
POST_HALF_LENGTH = 8.0
ARM_HALF_WIDTH = 5.5
ARM_HALF_HEIGHT = 6.5
ARM_TO_ROD = 28.0  # from the shaft's axis to the push rod, along y of the arm
ARM_TO_VALVE = 37.0
ARM_END = 5.0  # beyond the rod and the valve
HUB_RADIUS = 13.0


def rocker_stand() -> Shape:
    """Base with two holes on the spacing of the head's, a post, and a bore for the shaft; origin in its seat."""
    wide, deep = BASE_HALF_SIZE
    base = box((-wide, -deep, 0.0), (wide, deep, BASE_HEIGHT))
    post = box((-POST_HALF_LENGTH, -deep, 0.0), (POST_HALF_LENGTH, deep, SHAFT_HEIGHT + SHAFT_RADIUS + 5.0))
    holes = [
        cylinder((side * d.STAND_HOLE_OFFSET_X, 0.0, -1.0), UP, d.STAND_HOLE_RADIUS, BASE_HEIGHT + 2.0)
        for side in (-1.0, 1.0)
    ]
    shaft = cylinder((-POST_HALF_LENGTH - 1.0, 0.0, SHAFT_HEIGHT), ALONG_X, SHAFT_RADIUS, 2 * POST_HALF_LENGTH + 2.0)
    return cut(fused(base, post), *holes, shaft)


def rocker_arm() -> Shape:
    """A straight arm with a hub round the shaft; origin on the shaft's axis, in the arm's middle."""
    wide, high = ARM_HALF_WIDTH, ARM_HALF_HEIGHT
    bar = box((-wide, -ARM_TO_ROD - ARM_END, -high), (wide, ARM_TO_VALVE + ARM_END, high))
    hub = cylinder((-wide, 0.0, 0.0), ALONG_X, HUB_RADIUS, 2 * wide)
    shaft = cylinder((-wide - 1.0, 0.0, 0.0), ALONG_X, SHAFT_RADIUS, 2 * wide + 2.0)
    return cut(fused(bar, hub), shaft)

"""Lists of features written by hand, and a part whose features are known."""

from __future__ import annotations

import math
from typing import Any

from shared.feature_list import FeatureList, FeatureRecord, Vector

ROUND = 2 * math.pi


def hole(number: int, place: tuple[float, float], radius_mm: float = 4.0, **values: Any) -> FeatureRecord:
    """A hole along z through 20 mm."""
    return round_feature("hole", number, place, radius_mm, is_internal=True, is_through=True, **values)


def round_feature(kind: Any, number: int, place: tuple[float, float], radius_mm: float, **values: Any) -> FeatureRecord:
    """A hole or boss along z from 0 to 20 mm."""
    x, y = place
    given: dict[str, Any] = {
        "point_mm": (x, y, 10.0),
        "direction": (0.0, 0.0, 1.0),
        "radius_mm": radius_mm,
        "ends_mm": ((x, y, 0.0), (x, y, 20.0)),
        "depth_mm": 20.0,
        "arc_rad": ROUND,
        "area_mm2": ROUND * radius_mm * 20,
        "minimum_mm": (x - radius_mm, y - radius_mm, 0.0),
        "maximum_mm": (x + radius_mm, y + radius_mm, 20.0),
    }
    return FeatureRecord(id=f"{kind}-{number}", kind=kind, **(given | values))


def plane(number: int, direction: Vector, low: Vector, high: Vector, **values: Any) -> FeatureRecord:
    """A rectangle between two corners of its box."""
    sides = sorted((b - a for a, b in zip(low, high, strict=True)), reverse=True)
    middle = (0.5 * (low[0] + high[0]), 0.5 * (low[1] + high[1]), 0.5 * (low[2] + high[2]))
    given: dict[str, Any] = {
        "point_mm": middle,
        "direction": direction,
        "area_mm2": sides[0] * sides[1],
        "minimum_mm": low,
        "maximum_mm": high,
    }
    return FeatureRecord(id=f"plane-{number}", kind="plane", **(given | values))


def listed(*features: FeatureRecord, size_mm: Vector = (100.0, 60.0, 20.0), **values: Any) -> FeatureList:
    """A list for a part whose box begins at zero."""
    given: dict[str, Any] = {"file": "plate.step", "unit": "mm", "is_brep": True}
    return FeatureList(minimum_mm=(0.0, 0.0, 0.0), maximum_mm=size_mm, features=features, **(given | values))


BOTTOM = plane(1, (0.0, 0.0, -1.0), (0.0, 0.0, 0.0), (100.0, 60.0, 0.0))
TOP = plane(2, (0.0, 0.0, 1.0), (0.0, 0.0, 20.0), (100.0, 60.0, 20.0), area_mm2=5000.0)
FRONT = plane(3, (0.0, -1.0, 0.0), (0.0, 0.0, 0.0), (100.0, 0.0, 20.0))
LEFT = plane(4, (-1.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 60.0, 20.0))
BOX = (BOTTOM, TOP, FRONT, LEFT)


def slot(number: int) -> FeatureRecord:
    """A slot along x through 20 mm."""
    return FeatureRecord(
        id=f"slot-{number}",
        kind="slot",
        point_mm=(50.0, 50.0, 10.0),
        direction=(0.0, 0.0, 1.0),
        ends_mm=((50.0, 50.0, 0.0), (50.0, 50.0, 20.0)),
        depth_mm=20.0,
        is_internal=True,
        is_through=True,
        width_mm=6.0,
        length_mm=18.0,
        length_direction=(1.0, 0.0, 0.0),
        area_mm2=700.0,
        minimum_mm=(41.0, 47.0, 0.0),
        maximum_mm=(59.0, 53.0, 20.0),
    )


def sphere(number: int) -> FeatureRecord:
    """A ball of 5 mm radius."""
    return FeatureRecord(
        id=f"sphere-{number}",
        kind="sphere",
        point_mm=(50.0, 30.0, 25.0),
        radius_mm=5.0,
        arc_rad=3.0,
        area_mm2=150.0,
        minimum_mm=(45.0, 25.0, 20.0),
        maximum_mm=(55.0, 35.0, 30.0),
    )


def cone(number: int) -> FeatureRecord:
    """A countersink of 90 degrees."""
    return round_feature("cone", number, (30.0, 30.0), 5.0, half_angle_rad=math.pi / 4, is_internal=True)


def pattern(number: int, members: tuple[str, ...], shape: Any, **values: Any) -> FeatureRecord:
    """Equal holes."""
    return FeatureRecord(
        id=f"pattern-{number}",
        kind="pattern",
        point_mm=(50.0, 30.0, 10.0),
        direction=(0.0, 0.0, 1.0),
        members=members,
        pattern=shape,
        area_mm2=0.0,
        minimum_mm=(0.0, 0.0, 0.0),
        maximum_mm=(100.0, 60.0, 20.0),
        **values,
    )


def plate() -> FeatureList:
    """A plate with a big bore, two small holes in a line with it, a slot, a boss, a ball and a countersink."""
    return listed(
        *BOX,
        hole(1, (50.0, 30.0), 12.0),
        hole(2, (10.0, 30.0), 4.0, name="dowel"),
        hole(3, (90.0, 30.0), 4.0),
        round_feature("boss", 1, (20.0, 50.0), 6.0),
        cone(1),
        sphere(1),
        slot(1),
        pattern(1, ("hole-2", "hole-1", "hole-3"), "line"),
    )

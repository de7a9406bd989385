"""Pitches of standard threads."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

COARSE_PITCH_MM: Mapping[float, float] = MappingProxyType(  # ISO 261, from memory
    {
        2.0: 0.4,
        2.5: 0.45,
        3.0: 0.5,
        4.0: 0.7,
        5.0: 0.8,
        6.0: 1.0,
        7.0: 1.0,
        8.0: 1.25,
        10.0: 1.5,
        12.0: 1.75,
        14.0: 2.0,
        16.0: 2.0,
        18.0: 2.5,
        20.0: 2.5,
        22.0: 2.5,
        24.0: 3.0,
        27.0: 3.0,
        30.0: 3.5,
        36.0: 4.0,
    }
)
METRIC_SIZES: tuple[str, ...] = tuple(
    f"M{size}" for size in (3, 4, 5, 6, 8, 10, 12, 14, 16, 18, 20, 24)
)  # ISO 261 first and second choice, coarse; from memory
UNIFIED_SIZES: tuple[str, ...] = (  # ASME B1.1, coarse series; from memory
    "#8-32",
    "#10-24",
    "1/4-20",
    "5/16-18",
    "3/8-16",
    "7/16-14",
    "1/2-13",
    "9/16-12",
    "5/8-11",
    "3/4-10",
    "7/8-9",
    "1-8",
)

"""The colours of the maps, from published, colour-blind-safe sets, stepped on the tolerance.

Deviation: PuOr of ColorBrewer (Cynthia Brewer, Mark Harrower and The Pennsylvania State
University, Apache-2.0, https://colorbrewer2.org), its pale middle replaced by one light grey for
"inside tolerance", so that colour starts where the tolerance ends.  Wall: cividis (Nunez,
Anderton and Renslow 2018, PLoS ONE 13(7): e0199239), as carried by matplotlib (CC0).
"""

from __future__ import annotations

import numpy as np
from matplotlib import colormaps

from worker.records import Bools, Floats

Color = tuple[int, int, int]

EXCESS: tuple[Color, ...] = ((253, 184, 99), (224, 130, 20), (179, 88, 6), (127, 59, 8))  # PuOr, outward
MISSING: tuple[Color, ...] = ((178, 171, 210), (128, 115, 172), (84, 39, 136), (45, 0, 75))  # PuOr, inward
INSIDE: Color = (226, 226, 222)
NOT_MEASURED: tuple[Color, Color] = (116, 122, 128), (150, 156, 161)  # the two stripes of the hatch
CUT: Color = (92, 96, 102)  # the inside of material where the part is cut open
STEPS = (1.0, 1.5, 2.0, 3.0)  # where a new colour starts, in tolerances: a fault of 2 x stands out from one of 1 x
WALL_BAND_COUNT = 8  # as many as can be told apart beside a legend


def deviation_band(distance_mm: Floats, tolerance_mm: float) -> Floats:
    """Signed band per value: 0 inside tolerance, +1..+4 excess, -1..-4 missing; shape as given."""
    outside = np.searchsorted(np.asarray(STEPS) * tolerance_mm, np.abs(distance_mm), side="left")
    return np.sign(distance_mm) * outside


def deviation_colors(distance_mm: Floats, tolerance_mm: float) -> Floats:
    """(n, 3) float64 in 0..255 for (n,) deviations in mm."""
    table = np.array([*reversed(MISSING), INSIDE, *EXCESS], dtype=np.float64)
    return table[(deviation_band(distance_mm, tolerance_mm) + len(MISSING)).astype(np.int64)]


def wall_table() -> Floats:
    """(WALL_BAND_COUNT, 3) float64 in 0..255, thin to thick."""
    return np.round(colormaps["cividis"](np.linspace(0, 1, WALL_BAND_COUNT))[:, :3] * 255)


def wall_colors(wall_mm: Floats, top_mm: float) -> Floats:
    """(n, 3) float64 in 0..255 for (n,) walls in mm; everything above ``top_mm`` is the last band."""
    band = np.clip(wall_mm / top_mm * WALL_BAND_COUNT, 0, WALL_BAND_COUNT - 1)
    return wall_table()[band.astype(np.int64)]


def hatched(is_stripe: Bools) -> Floats:
    """(n, 3) float64 in 0..255: the colour of what was not measured, striped."""
    dark, light = np.array(NOT_MEASURED, dtype=np.float64)
    return np.asarray(np.where(is_stripe[:, None], dark, light), dtype=np.float64)

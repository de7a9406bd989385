"""Figures and places in words, in the unit of the plan."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shared.feature_list import FeatureRecord, Vector
from shared.units import LengthUnit

SIGNIFICANT = 4  # digits of a drafted limit
PLACE_DIGITS = {LengthUnit.MILLIMETRE: 2, LengthUnit.INCH: 4}  # decimals of a place: 0.01 mm, 0.0001 in
NAME_LIMIT = 40
AXIS_WORDS = ("x", "y", "z")
ALONG_COSINE = 0.9999  # within 0.8 degrees of a part axis is said to be along it


def limit_figure(length_mm: float, unit: LengthUnit) -> str:
    """A limit in the plan's unit, to four digits, never in powers of ten."""
    value = length_mm / unit.mm
    decimals = SIGNIFICANT - 1 - math.floor(math.log10(abs(value))) if value else 0
    return _trimmed(value, max(decimals, 0))


def place_figure(length_mm: float, unit: LengthUnit) -> str:
    """A size or coordinate in the plan's unit."""
    return _trimmed(length_mm / unit.mm, PLACE_DIGITS.get(unit, 3))


def _trimmed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def printable(text: str) -> str:
    """Text of a file as a comment may hold it: one line, nothing that YAML does not allow."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def direction_words(direction: Vector, *, is_axis: bool) -> str:
    """A direction along a part axis by its name, else by its components."""
    for axis, word in enumerate(AXIS_WORDS):
        if abs(direction[axis]) >= ALONG_COSINE:
            return word if is_axis else f"{'+' if direction[axis] > 0 else '-'}{word}"
    return "({})".format(", ".join(_trimmed(value, 3) for value in direction))


def place_words(point_mm: Vector, unit: LengthUnit) -> str:
    """Coordinates of a point."""
    pairs = zip(AXIS_WORDS, point_mm, strict=True)
    return ", ".join(f"{axis} {place_figure(value, unit)}" for axis, value in pairs)


def name_words(feature: FeatureRecord) -> str:
    """Id of a feature, and what the STEP file calls it."""
    name = printable(feature.name or "").strip()
    return feature.id if not name else f"{feature.id} '{name[:NAME_LIMIT]}'"


def feature_words(feature: FeatureRecord, unit: LengthUnit) -> str:
    """What a feature is and where it lies, in one line."""
    shape = ", ".join(part for part in (_size_words(feature, unit), _depth_words(feature, unit)) if part)
    facing = _facing_words(feature)
    where = place_words(feature.point_mm, unit)
    return ", ".join(part for part in (shape, facing, f"at {where}") if part)


def _size_words(feature: FeatureRecord, unit: LengthUnit) -> str:
    if feature.kind == "plane":
        return " x ".join(place_figure(side, unit) for side in plane_sides_mm(feature))
    if feature.kind == "slot" and feature.width_mm is not None and feature.length_mm is not None:
        return f"{place_figure(feature.width_mm, unit)} wide, {place_figure(feature.length_mm, unit)} long"
    if feature.kind == "pattern":
        return pattern_words(feature, unit)
    if feature.kind == "cone" and feature.half_angle_rad is not None:
        return f"{_trimmed(math.degrees(2 * feature.half_angle_rad), 2)} degrees"
    return "" if feature.radius_mm is None else f"diameter {place_figure(2 * feature.radius_mm, unit)}"


def pattern_words(feature: FeatureRecord, unit: LengthUnit) -> str:
    """What a pattern is made of."""
    shape = {"circle": "on a circle", "line": "in a line", "grid": "in a grid", None: ""}[feature.pattern]
    across = ""
    if feature.pattern == "circle" and feature.radius_mm is not None:
        across = f" of diameter {place_figure(2 * feature.radius_mm, unit)}"
    return f"{len(feature.members)} equal holes {shape}{across}"


def _depth_words(feature: FeatureRecord, unit: LengthUnit) -> str:
    if feature.depth_mm is None or feature.kind in ("pattern", "plane"):
        return ""
    end = {True: "through, ", False: "blind, ", None: ""}[feature.is_through]
    return f"{end}{place_figure(feature.depth_mm, unit)} {'deep' if feature.is_internal else 'long'}"


def _facing_words(feature: FeatureRecord) -> str:
    if feature.direction is None:
        return ""
    if feature.kind == "plane":
        return f"facing {direction_words(feature.direction, is_axis=False)}"
    return f"axis {direction_words(feature.direction, is_axis=True)}"


def plane_sides_mm(feature: FeatureRecord) -> tuple[float, float]:
    """The two longer sides of the box round a plane, longer first."""
    pairs = zip(feature.minimum_mm, feature.maximum_mm, strict=True)
    sides = sorted((high - low for low, high in pairs), reverse=True)
    return sides[0], sides[1]


def dot(first: Sequence[float], second: Sequence[float]) -> float:
    """Scalar product."""
    return math.fsum(a * b for a, b in zip(first, second, strict=True))


def offset(start: Vector, end: Vector) -> Vector:
    """From one point to another."""
    return end[0] - start[0], end[1] - start[1], end[2] - start[2]

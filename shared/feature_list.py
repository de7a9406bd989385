"""The list of features found on a nominal: what a plan can point at.

Lengths are millimetres in the nominal frame, angles radians.  The JSON Schema generated from
:class:`FeatureList` is committed beside those of plan and report.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

FEATURES_VERSION = "1"
Vector = tuple[float, float, float]
FeatureWord = Literal["plane", "hole", "boss", "cone", "sphere", "slot", "pattern"]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class FeatureRecord(_Record):
    """One feature of nominal.

    id: stable for the same file, such as hole-3;  name: of its face in the STEP file
    faces: numbers of the B-rep faces it is made of; empty on a mesh
    point_mm: on the axis at mid length, centre of sphere, slot or pattern, area centroid of a plane
    direction: outward normal of a plane, axis of hole, boss, cone (widening) and slot (its depth),
    normal of a pattern's plane; none for a sphere.  Of a blind hole it points out of its mouth.
    radius_mm: hole, boss, sphere, cone at point_mm, bolt circle of a circular pattern
    ends_mm: where the axis enters and leaves;  depth_mm: length between them
    is_internal: material lies outside (hole, slot, countersink);  is_through: open at both ends
    arc_rad: how much of the full round nominal has
    width_mm, length_mm, length_direction: of a slot, between its flats and overall
    members: ids of the features of a pattern;  pattern: how they lie
    minimum_mm, maximum_mm: box round its surface
    """

    id: str
    kind: FeatureWord
    name: str | None = None
    faces: tuple[int, ...] = ()
    point_mm: Vector
    direction: Vector | None = None
    radius_mm: float | None = None
    half_angle_rad: float | None = None
    ends_mm: tuple[Vector, Vector] | None = None
    depth_mm: float | None = None
    is_internal: bool = False
    is_through: bool | None = None
    arc_rad: float | None = None
    width_mm: float | None = None
    length_mm: float | None = None
    length_direction: Vector | None = None
    members: tuple[str, ...] = ()
    pattern: Literal["circle", "line", "grid"] | None = None
    area_mm2: float
    form_mm: float = 0.0
    minimum_mm: Vector
    maximum_mm: Vector


class FeatureList(_Record):
    """All features of one nominal.

    file: display name of the nominal;  is_brep: faces have numbers that last, from a STEP file
    unit: what the file says, or what the caller stated
    minimum_mm, maximum_mm: box round the whole part
    """

    features_version: Literal["1"] = "1"
    file: str
    unit: str
    is_brep: bool
    minimum_mm: Vector
    maximum_mm: Vector
    features: tuple[FeatureRecord, ...]

"""A feature of nominal."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from worker.records import Floats, Ints


class FeatureKind(StrEnum):
    """What a feature is; its id begins with this word and is numbered within it (``hole-3``)."""

    PLANE = "plane"
    HOLE = "hole"  # cylinder, material outside
    BOSS = "boss"  # cylinder, material inside
    CONE = "cone"
    SPHERE = "sphere"
    SLOT = "slot"  # two parallel planes with half-round ends, material outside
    PATTERN = "pattern"  # of equal holes


class PatternKind(StrEnum):
    """How the members of a pattern lie."""

    CIRCLE = "circle"
    LINE = "line"
    GRID = "grid"


@dataclass(frozen=True, eq=False, kw_only=True)
class Feature:
    """One feature of nominal, nominal frame.

    id : stable for the same file
    triangles : (t,) int64, of ``Nominal`` that belong to it (of all members, for a pattern)
    faces : (f,) int64, B-rep faces it is made of; empty on a mesh
    name : of its face in the STEP file, if they agree
    point_mm : (3,) on the axis at mid length, centre of sphere, slot or pattern, area centroid of a plane
    direction : (3,) unit: outward normal of a plane; axis of hole, boss, cone (widening), slot (depth
        direction) and pattern (its plane's normal); None for a sphere.  Of a blind hole it points out
        of its mouth; of other axes the largest component is positive.
    radius_mm : hole, boss, sphere; cone at ``point_mm``; bolt circle of a circular pattern
    half_angle_rad : cone
    ends_mm : (2, 3) where the axis enters and leaves, ordered along ``direction``; None without an axis
    is_internal : material lies outside (hole, slot, countersink, hollow sphere)
    is_through : hole and slot: open at both ends; None otherwise
    arc_rad : how much of the full round nominal has, 2 pi for a whole hole; None for planes and patterns
    width_mm, length_mm, length_direction : of a slot: between its flats, overall, and the (3,) unit
        along which its ends lie apart
    members : ids of the features of a pattern;  pattern : its kind
    area_mm2 : of its surface
    form_mm : largest distance of its triangles' vertices from the stated element (facets of a mesh)
    """

    id: str
    kind: FeatureKind
    triangles: Ints
    faces: Ints
    name: str | None
    point_mm: Floats
    direction: Floats | None
    radius_mm: float | None = None
    half_angle_rad: float | None = None
    ends_mm: Floats | None = None
    is_internal: bool = False
    is_through: bool | None = None
    arc_rad: float | None = None
    width_mm: float | None = None
    length_mm: float | None = None
    length_direction: Floats | None = None
    members: tuple[str, ...] = ()
    pattern: PatternKind | None = None
    area_mm2: float = 0.0
    form_mm: float = 0.0

    @property
    def depth_mm(self) -> float | None:
        """Length of the axis within material, None without an axis."""
        if self.ends_mm is None:
            return None
        return float(((self.ends_mm[1] - self.ends_mm[0]) ** 2).sum() ** 0.5)

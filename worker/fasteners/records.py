"""What the geometry of fasteners takes and gives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from worker.measuring.analytic import FaceTable
from worker.records import Bools, Floats, Ints
from worker.surface import RayHits, SurfaceQuery

MOST_PASSED = 40  # times a ray passes what is left out; more, and it runs along it
PASS_MM = 1e-4  # behind each passage: ten times what single precision loses
MOUTH = -1  # label of surfaces a hole opens into: they are no side of its metal


@dataclass(frozen=True, eq=False)
class Shell:
    """The surface metal is measured to.

    surface : triangles (m, 3);  label : (m,) which named surface each is of, ``MOUTH`` for the hole's mouths
    is_closed : it bounds a solid
    table, face : exact faces of nominal, and the face (m,) of each triangle
    off_mm : (v,) how far each vertex lies outside its exact face; 0 in nominal, the deviation on the piece
    slack_mm : farthest a facet lies from its exact face
    is_left_out : (m,) triangles of the hole's own wall, which rays pass through and no metal ends at
    """

    surface: SurfaceQuery
    label: Ints
    is_closed: bool
    table: FaceTable
    face: Ints
    off_mm: Floats
    slack_mm: float
    is_left_out: Bools

    def cast(self, origins_mm: Floats, ways: Floats) -> RayHits:
        """First hits of rays from origins (n, 3) along unit ways (n, 3), past all that is left out."""
        hits = self.surface.cast(origins_mm, ways)
        triangle, distance = hits.triangle.copy(), hits.distance_mm.copy()
        rows = np.flatnonzero(self._passes(triangle))
        for _ in range(MOST_PASSED):
            if not len(rows):
                break
            begun = distance[rows] + PASS_MM
            further = self.surface.cast(origins_mm[rows] + begun[:, None] * ways[rows], ways[rows])
            triangle[rows], distance[rows] = further.triangle, begun + further.distance_mm
            rows = rows[self._passes(further.triangle)]
        triangle[rows] = -1
        return RayHits(triangle, distance, triangle >= 0)

    def _passes(self, triangle: Ints) -> Bools:
        return (triangle >= 0) & self.is_left_out[np.maximum(triangle, 0)]


@dataclass(frozen=True, eq=False)
class Bore:
    """A hole as a cylinder.

    origin_mm : (3,) of its axis, where heights are 0;  direction : (3,) unit
    heights_mm : (h,) along it, where metal is looked for
    """

    origin_mm: Floats
    direction: Floats
    radius_mm: float
    heights_mm: Floats

    @property
    def across(self) -> Floats:
        """(2, 3) unit, square to the axis and to each other."""
        seed = np.zeros(3)
        seed[int(np.argmin(np.abs(self.direction)))] = 1.0
        first = np.cross(self.direction, seed)
        first = first / np.linalg.norm(first)
        return np.stack([first, np.cross(self.direction, first)])

    def radial(self, turn_rad: Floats) -> Floats:
        """Unit (n, 3) away from the axis."""
        ways: Floats = np.stack([np.cos(turn_rad), np.sin(turn_rad)], axis=-1) @ self.across
        return ways

    def wall_mm(self, height_mm: Floats, turn_rad: Floats) -> Floats:
        """Places (n, 3) of its wall."""
        placed: Floats = self.origin_mm + height_mm[:, None] * self.direction + self.radius_mm * self.radial(turn_rad)
        return placed


@dataclass(frozen=True, eq=False)
class Reach:
    """How far metal goes from places of the wall, square to the axis.

    distance_mm : (n,);  triangle : (n,) of the shell, -1 without a hit
    cosine : (n,) between the ray and the normal there, 1 where the surface lies parallel to the axis and square
        to the ray; below 0 the ray began outside material
    """

    distance_mm: Floats
    triangle: Ints
    cosine: Floats


@dataclass(frozen=True, eq=False)
class MetalProfile:
    """Least metal from the wall to each named surface at each height, square to the axis.

    labels : (l,) those that are met, least metal first
    heights_mm : (h,)
    metal_mm, is_found, triangle, cosine, turn_rad : (l, h)
    any_way_mm : (l, h) from the same place of the wall to that surface in any direction: less where it slants
    is_open : (h,) somewhere round the axis there is no metal at all
    """

    labels: Ints
    heights_mm: Floats
    metal_mm: Floats
    is_found: Bools
    triangle: Ints
    cosine: Floats
    turn_rad: Floats
    any_way_mm: Floats
    is_open: Bools

    def least_at(self) -> tuple[int, int]:
        """Row and height of the least metal; ValueError where none was met."""
        if not self.is_found.any():
            raise ValueError("the hole has no metal round it")
        flat = int(np.argmin(np.where(self.is_found, self.metal_mm, np.inf)))
        row, column = np.unravel_index(flat, self.metal_mm.shape)
        return int(row), int(column)


Reaching = Callable[[Floats, Floats], Reach]  # from heights (n,) and turns (n,)

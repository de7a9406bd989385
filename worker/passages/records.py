"""The rod, and where it comes nearest to the surface."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from worker.measuring.analytic import FaceTable
from worker.records import Bools, Floats, Ints, Samples
from worker.rigid import RigidTransform


@dataclass(frozen=True, eq=False)
class Rod:
    """The axis of a straight rod with half-ball ends, and the second position its ends travel to in step.

    first_mm, second_mm : (2, 3) start and end of the axis, the centres of its ball ends; equal for a rod at rest
    """

    first_mm: Floats
    second_mm: Floats

    @classmethod
    def between(cls, start: Floats, end: Floats, start_travel: Floats | None, end_travel: Floats | None) -> Rod:
        """A rod from points (3,); an end without a second position stays where it is."""
        second = [start if start_travel is None else start_travel, end if end_travel is None else end_travel]
        return cls(np.array([start, end], dtype=np.float64), np.array(second, dtype=np.float64))

    @property
    def travel_mm(self) -> Floats:
        """(2, 3) how far each end travels."""
        return self.second_mm - self.first_mm

    @property
    def is_still(self) -> bool:
        """Whether neither end travels."""
        return not bool(self.travel_mm.any())

    @property
    def longest_travel_mm(self) -> float:
        """The longer way of the two ends: no place of the axis travels farther."""
        return float(np.linalg.norm(self.travel_mm, axis=1).max())

    @property
    def length_mm(self) -> float:
        """Length of the axis in its first position."""
        return float(np.linalg.norm(self.first_mm[1] - self.first_mm[0]))

    def at(self, share: Floats, travel: Floats) -> Floats:
        """Places (n, 3) of the axis at shares (n,) of its length and of its travel."""
        along, moved = share[:, None], travel[:, None]
        start = self.first_mm[0] + moved * self.travel_mm[0]
        end = self.first_mm[1] + moved * self.travel_mm[1]
        placed: Floats = start + along * (end - start)
        return placed

    def shifted(self, ends_mm: Floats) -> Rod:
        """The rod with its ends moved by (2, 3), in both positions alike."""
        return Rod(self.first_mm + ends_mm, self.second_mm + ends_mm)

    def placed(self, motion: RigidTransform) -> Rod:
        """The rod under a rigid motion."""
        return Rod(motion.apply(self.first_mm), motion.apply(self.second_mm))


@dataclass(frozen=True, eq=False)
class Surface:
    """Nominal's samples and how far the piece lies from them.

    offset_mm : (s,) along the normal, > 0 outside material; zeros for nominal itself
    is_seen : (s,) where that was measured
    is_rim : (s,) samples on the border of their face
    table : faces that are measured exactly (``trusted_faces``)
    join_mm : samples of two faces this near are one place of an edge
    """

    samples: Samples
    offset_mm: Floats
    is_seen: Bools
    is_rim: Bools
    table: FaceTable
    join_mm: float

    @cached_property
    def piece_mm(self) -> Floats:
        """(s, 3) where the samples lie."""
        piece: Floats = self.samples.points_mm + self.offset_mm[:, None] * self.samples.normals
        return piece

    @cached_property
    def longest_mm(self) -> Floats:
        """(t,) longest edge of each of the samples' triangles."""
        first, second, third = (self.piece_mm[corner] for corner in self.samples.triangles.T)
        edges = (((one - other) ** 2).sum(axis=1) for one, other in ((first, third), (second, first), (third, second)))
        longest: Floats = np.sqrt(np.maximum.reduce(list(edges)))
        return longest

    @cached_property
    def nominal(self) -> Surface:
        """The same without any deviation, all of it known."""
        count = len(self.offset_mm)
        return replace(self, offset_mm=np.zeros(count), is_seen=np.ones(count, dtype=bool))


@dataclass(frozen=True, eq=False)
class Nearest:
    """For each of n pairs of axis and triangle, where the two come nearest.

    distance_mm : (n,), 0 where the axis goes through;  share, travel : (n,) of the axis
    barycentric : (n, 3) on the triangle
    """

    distance_mm: Floats
    share: Floats
    travel: Floats
    barycentric: Floats

    def rows(self, chosen: Ints | Bools) -> Nearest:
        """Some of the pairs."""
        return Nearest(self.distance_mm[chosen], self.share[chosen], self.travel[chosen], self.barycentric[chosen])


@dataclass(frozen=True, eq=False)
class Touch:
    """A place where a rod grown about its axis touches first.

    surface_mm, axis_mm : (3,) on the surface, and the nearest place of the axis
    direction : (3,) unit, from the surface to the axis; the outward normal where the axis lies in the surface
    share, travel : of the axis;  triangle, barycentric : of the skin
    """

    distance_mm: float
    surface_mm: Floats
    axis_mm: Floats
    direction: Floats
    share: float
    travel: float
    triangle: int
    barycentric: Floats


@dataclass(frozen=True, eq=False)
class Clearance:
    """How far the axis of a rod stays from a surface over all of its travel.

    least_mm : 0 where the axis cuts through material (``is_cut``);  first : where that is
    touches : places it would touch next, nearest first, the first of all among them
    """

    least_mm: float
    is_cut: bool
    first: Touch
    touches: tuple[Touch, ...]

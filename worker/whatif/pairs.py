"""Places of two skins that go with two parts: how far apart they come is never less than the least wall.

A place and its foot are points of the two skins wherever these go, so their distance bounds the least wall from above,
and does so over a whole box of moves: a distance bends one way, so that none in the box is more than the largest at its
corners.  Bounds drawn where the wall was asked for, and the next place asked for where they allow most: cutting planes
(J. E. Kelley, J. SIAM 8(4), 1960, from memory), of cones in place of planes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from worker.records import Floats
from worker.rigid import RigidTransform


@dataclass(frozen=True, eq=False)
class PartMotion:
    """How one part goes: rigidly, and its skin outward."""

    rigid: RigidTransform
    offset_mm: float


STILL = PartMotion(RigidTransform.identity(), 0.0)


@dataclass(frozen=True, eq=False)
class Relative:
    """How a near part goes as seen from a far one, whose skin goes outward too."""

    rigid: RigidTransform
    offset_mm: float
    far_offset_mm: float

    @classmethod
    def of(cls, near: PartMotion, far: PartMotion) -> Relative:
        """Of two parts."""
        return cls(far.rigid.inverse() @ near.rigid, near.offset_mm, far.offset_mm)

    def normals(self, normals: Floats) -> Floats:
        """Normals (k, 3) of the near skin after the move."""
        return self.rigid.turn(normals)

    def points(self, points_mm: Floats, normals: Floats) -> Floats:
        """Places (k, 3) of the near skin after the move."""
        return self.rigid.apply(points_mm + self.offset_mm * normals)


@dataclass(frozen=True, eq=False)
class Pairs:
    """Some of the pairs of two skins, k of them.

    points_mm, normals : (k, 3) of the near skin where no move has them
    feet_mm : (k, 3) of the far one
    rest_mm : (k,) what the wall is more than their distance, where it was asked for
    """

    points_mm: Floats
    normals: Floats
    feet_mm: Floats
    rest_mm: Floats

    @classmethod
    def none(cls) -> Pairs:
        """No pair at all."""
        return cls(np.empty((0, 3)), np.empty((0, 3)), np.empty((0, 3)), np.empty(0))

    def and_also(self, other: Pairs) -> Pairs:
        """Both together."""
        return Pairs(
            *(np.concatenate([getattr(self, one.name), getattr(other, one.name)]) for one in fields(self)),
        )

    def walls(self, moves: Sequence[Relative]) -> Floats:
        """(n, k) what the wall at each pair is no more than, after each of n moves."""
        found = np.empty((len(moves), len(self.rest_mm)))
        for row, move in enumerate(moves):
            way = move.points(self.points_mm, self.normals) - self.feet_mm
            found[row] = np.sqrt(np.einsum("ij,ij->i", way, way)) + self.rest_mm + move.far_offset_mm
        return found

    def most(self, moves: Sequence[Relative]) -> float:
        """What the least wall passes at none of the moves, nor between them where nothing turns; infinite of none."""
        return float(self.walls(moves).max(axis=0).min(initial=np.inf))

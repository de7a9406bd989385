"""Rigid motions. One convention for the whole house.

``T_a_b`` takes points from frame ``b`` to frame ``a``; frames cancel when composed:
``T_a_c = T_a_b @ T_b_c``, ``points_a = T_a_b.apply(points_b)``.  Lengths are millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Floats = NDArray[np.float64]

ORTHOGONALITY_LIMIT = 1e-9  # float64 products of a few dozen rotations stay below 1e-14


@dataclass(frozen=True, eq=False)
class RigidTransform:
    """A rotation followed by a translation; never a scale, never a mirror.

    rotation : (3, 3) float64, determinant +1
    translation_mm : (3,) float64, mm, in the target frame
    """

    rotation: Floats
    translation_mm: Floats

    def __post_init__(self) -> None:
        """Refuse what is not rigid.

        Raises
        ------
        ValueError
            If the rotation is not orthogonal with determinant +1, or anything is not finite.

        """
        rotation, translation = self.rotation, self.translation_mm
        if rotation.shape != (3, 3) or translation.shape != (3,):
            raise ValueError(f"shapes {rotation.shape} and {translation.shape} are not (3, 3) and (3,)")
        defect = np.abs(rotation @ rotation.T - np.eye(3)).max()
        if not (np.isfinite(translation).all() and defect < ORTHOGONALITY_LIMIT and np.linalg.det(rotation) > 0):
            raise ValueError(f"not a rigid motion: orthogonality defect {defect:.2e}")

    @classmethod
    def identity(cls) -> Self:
        """The motion that moves nothing."""
        return cls(np.eye(3), np.zeros(3))

    @classmethod
    def from_matrix(cls, matrix: Floats) -> Self:
        """Take a (4, 4) matrix, re-orthogonalising rounding of up to 1e-4."""
        matrix = np.asarray(matrix, dtype=np.float64)
        left, sizes, right = np.linalg.svd(matrix[:3, :3])
        if not np.allclose(sizes, 1.0, atol=1e-4) or np.linalg.det(left @ right) < 0:
            raise ValueError("matrix scales or mirrors")
        return cls(left @ right, matrix[:3, 3].copy())

    @classmethod
    def from_rotation_vector(cls, rotation_vector_rad: Floats, translation_mm: Floats) -> Self:
        """Rotation vector (3,) in radian, translation (3,) in mm."""
        rotation = Rotation.from_rotvec(np.asarray(rotation_vector_rad, dtype=np.float64)).as_matrix()
        return cls(rotation, np.asarray(translation_mm, dtype=np.float64))

    @classmethod
    def about(cls, rotation_vector_rad: Floats, translation_mm: Floats, centre_mm: Floats) -> Self:
        """Rotate about ``centre_mm`` (3,), then shift by ``translation_mm``."""
        turned = cls.from_rotation_vector(rotation_vector_rad, np.zeros(3))
        centre = np.asarray(centre_mm, dtype=np.float64)
        return cls(turned.rotation, np.asarray(translation_mm, dtype=np.float64) + centre - turned.rotation @ centre)

    def apply(self, points_mm: Floats) -> Floats:
        """Move points (n, 3) or one point (3,)."""
        return points_mm @ self.rotation.T + self.translation_mm

    def turn(self, directions: Floats) -> Floats:
        """Rotate directions (n, 3) or (3,), without the translation."""
        return directions @ self.rotation.T

    def inverse(self) -> RigidTransform:
        """``T_b_a`` from ``T_a_b``."""
        return RigidTransform(self.rotation.T.copy(), -self.rotation.T @ self.translation_mm)

    def __matmul__(self, other: RigidTransform) -> RigidTransform:
        """``T_a_b @ T_b_c`` is ``T_a_c``."""
        return RigidTransform(
            self.rotation @ other.rotation, self.rotation @ other.translation_mm + self.translation_mm
        )

    def matrix(self) -> Floats:
        """The (4, 4) homogeneous matrix."""
        result = np.eye(4)
        result[:3, :3] = self.rotation
        result[:3, 3] = self.translation_mm
        return result

    def angle_rad(self) -> float:
        """Angle of the rotation, accurate near zero (the logarithm, not arccos of the trace)."""
        return float(Rotation.from_matrix(self.rotation).magnitude())


def turn_to_shift(offset_mm: Floats) -> Floats:
    """(3, 3) takes a small rotation vector (rad) about a point to the shift (mm) of what lies ``offset_mm`` off it."""
    x, y, z = offset_mm
    return np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])

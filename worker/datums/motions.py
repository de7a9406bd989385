"""Small rigid motions as six numbers, which of them are left open, and their words.

A motion is (rotation_rad 3, shift_mm 3): points turn about ``centre_mm`` and are then shifted.
Left to a plane are three motions, to a cylinder two, to a surface of revolution one (N. Gelfand,
L. Guibas, Shape segmentation using local slippage analysis, SGP 2004).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Floats
from worker.rigid import RigidTransform

LEAST_HOLD = 0.02  # about a degree: a datum that leans less on what is taken already adds nothing to it
ALONG_AXIS_COSINE = float(np.cos(np.radians(1.0)))  # nearer a part axis than that is said as the axis
AXES = "xyz"


@dataclass(frozen=True, eq=False)
class Origin:
    """What motions are counted about.

    centre_mm : (3,) the turning point;  radius_mm : of the part, so that turns and shifts compare
    """

    centre_mm: Floats
    radius_mm: float

    @classmethod
    def of(cls, vertices_mm: Floats) -> Origin:
        """The middle of a part's box and half its diagonal."""
        low, high = vertices_mm.min(axis=0), vertices_mm.max(axis=0)
        return cls((low + high) / 2, max(float(np.linalg.norm(high - low)) / 2, 1e-9))

    @property
    def units(self) -> Floats:
        """(6,) what one unit of a scaled motion is: a turn of one over the radius, a shift of one mm."""
        units: Floats = np.concatenate([np.full(3, 1 / self.radius_mm), np.ones(3)])
        return units

    def rows(self, points_mm: Floats, normals: Floats) -> Floats:
        """(n, 6) how the height of points (n, 3) along normals (n, 3) changes with the motion."""
        return np.concatenate([np.cross(points_mm - self.centre_mm, normals), normals], axis=1)


def rigid(motion: Floats, origin: Origin) -> RigidTransform:
    """The screw motion that a constant twist (6,) comes to in unit time: it stays within a sliding group."""
    turn, shift = motion[:3], motion[3:]
    angle = float(np.linalg.norm(turn))
    skew = np.array([[0.0, -turn[2], turn[1]], [turn[2], 0.0, -turn[0]], [-turn[1], turn[0], 0.0]])
    if angle < 1e-4:  # series of the two factors, exact to 1e-16
        first, second = 0.5 - angle**2 / 24, 1 / 6 - angle**2 / 120
    else:
        first, second = (1 - np.cos(angle)) / angle**2, (angle - np.sin(angle)) / angle**3
    moved = (np.eye(3) + first * skew + second * skew @ skew) @ shift
    return RigidTransform.about(turn, moved, origin.centre_mm)


def left_open(open_before: Floats, rows: Floats, origin: Origin) -> Floats:
    """What of the open motions (6, m) rows (k, 6) leave open: (6, r), orthonormal in scaled motions.

    rows : change of what the datum would notice, in millimetres at the size of the part
    """
    if not open_before.shape[1]:
        return open_before
    scaled = open_before / origin.units[:, None]
    basis = np.linalg.qr(scaled)[0]
    _, sizes, right = np.linalg.svd((rows * origin.units) @ basis)
    held = int(np.count_nonzero(sizes > LEAST_HOLD))
    remaining: Floats = (basis @ right[held:].T) * origin.units[:, None]
    return remaining


def all_motions(origin: Origin) -> Floats:
    """(6, 6): nothing is held yet."""
    return np.diag(origin.units)


def open_words(motions: Floats, origin: Origin) -> tuple[str, ...]:
    """Open motions (6, m) in words, one each: slides first, along part axes where they are."""
    if not motions.shape[1]:
        return ()
    basis = np.linalg.qr(motions / origin.units[:, None])[0]
    _, sizes, right = np.linalg.svd(basis[:3])
    turning = int(np.count_nonzero(sizes > LEAST_HOLD))
    slides = basis @ right[turning:].T
    turns = basis @ right[:turning].T
    words = [f"slides along {name}" for name in _directions(slides[3:])]
    words += [f"turns about {name}" for name in _directions(turns[:3])]
    return tuple(words)


def _directions(vectors: Floats) -> list[str]:
    """Names of directions that span the vectors (3, d): part axes within the span, the rest by components."""
    if not vectors.shape[1]:
        return []
    left, sizes, _ = np.linalg.svd(vectors, full_matrices=False)
    span = left[:, sizes > LEAST_HOLD * sizes.max()]
    names, taken = [], np.zeros((3, 0))
    for axis in range(3):
        if np.linalg.norm(span[axis]) > ALONG_AXIS_COSINE:
            names.append(AXES[axis])
            taken = np.column_stack([taken, np.eye(3)[axis]])
    rest = span - taken @ (taken.T @ span)
    left, sizes, _ = np.linalg.svd(rest, full_matrices=False)
    for vector in left.T[: span.shape[1] - len(names)]:
        way = vector * np.sign(vector[int(np.argmax(np.abs(vector)))])
        names.append("({:.2f}, {:.2f}, {:.2f})".format(*(way + 0.0)))
    return names

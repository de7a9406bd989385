"""Placing a part on elements of the piece: mates in order, and hole centres over hole axes.

A placement moves only in the freedoms that the mates before left open, as a datum does.  Motions are
twists (6,) of the part in the piece's frame, as in ``worker.datums.motions``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from worker.datums.motions import LEAST_HOLD, Origin, all_motions, left_open, open_words, rigid
from worker.records import Bools, Floats, Ints
from worker.rigid import RigidTransform

MOST_TURNS = 100  # Newton's steps double the digits; a half turn takes about ten to come near
SETTLED_MM = 1e-11
MOST_TURN_RAD = 1.0  # a step: farther off, the linear rows mislead
HALF_TURN_RAD = np.pi - 1e-6  # nearer to opposite, the way round must be chosen
STEP_MM, STEP_RAD = 1e-3, 1e-5  # of the elements, for sensitivities; central, so their error goes with the square


@dataclass(frozen=True, eq=False)
class PieceElement:
    """A plane or an axis of the piece, part frame of the piece.

    direction : (3,) unit: normal out of material, or the axis
    """

    point_mm: Floats
    direction: Floats
    is_plane: bool

    def moved(self, departures: Floats) -> PieceElement:
        """Shifted by ``departures[:3]`` mm and turned by ``departures[3:6]`` rad about its own point."""
        turned = self.direction + np.cross(departures[3:6], self.direction)
        return replace(self, point_mm=self.point_mm + departures[:3], direction=turned / float(np.linalg.norm(turned)))


@dataclass(frozen=True, eq=False)
class MateStep:
    """A plane of the part on a plane of the piece, or an axis in line with an axis.

    part_point_mm, part_direction : (3,) in the part's own frame; a plane's direction out of the part's material
    element : index among the piece's elements;  offset_mm : gap between planes
    """

    part_point_mm: Floats
    part_direction: Floats
    element: int
    offset_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class HolesStep:
    """Hole centres of the part (n, 3), in its own frame, over axes of the piece (n,) by index, by least squares."""

    part_points_mm: Floats
    elements: Ints


Step = MateStep | HolesStep


@dataclass(frozen=True, eq=False)
class Solved:
    """Where a part sits.

    T_piece_part : from the part's own frame to the piece's
    off_mm : by step, how far its points were left off; (1,) of a mate, (n,) of holes
    tilt_rad : by step, the angle left between directions; 0 of holes
    """

    T_piece_part: RigidTransform
    off_mm: tuple[Floats, ...]
    tilt_rad: tuple[float, ...]


@dataclass(frozen=True)
class NotPlaced:
    """Motions that the steps leave open, in words; none if the steps contradict each other."""

    open_words: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Rows:
    """What a step notices: rows (k, 6) of a motion in mm at the size of the part, and what is wanted of them (k,)."""

    rows: Floats
    wanted_mm: Floats


def place(
    steps: Sequence[Step], elements: Sequence[PieceElement], part_mm: Floats, start: RigidTransform | None = None
) -> Solved | NotPlaced:
    """Solve the steps in order.

    elements : what the steps point at, piece frame;  part_mm : (v, 3) vertices of the part, own frame
    start : where the part is before; where its file puts it if left out

    An axis keeps the sense that is nearer when its turn comes.  Objective of each step: least squares of what it
    notices, tilts counted in mm at half the part's size, within the freedoms left to it.
    """
    moved = start or RigidTransform.identity()
    origin = _origin(elements, part_mm)
    free = all_motions(origin)
    for step in steps:
        flip = _flip(step, elements, moved)
        moved = _settled(step, elements, (moved, flip), free, origin)
        free = left_open(free, _rows(step, elements, (moved, flip), origin).rows, origin)
    if free.shape[1]:
        return NotPlaced(open_words(free, origin))
    left = [_left(step, elements, moved) for step in steps]
    return Solved(moved, tuple(off for off, _ in left), tuple(tilt for _, tilt in left))


def sensitivities(
    steps: Sequence[Step], elements: Sequence[PieceElement], part_mm: Floats, solved: Solved
) -> tuple[Floats, ...]:
    """By element (6, 6): how the part's motion about the origin follows shift (mm) and turn (rad) of that element.

    The motion is (rotation_rad, shift_mm) with the shift of the piece frame's origin.
    """
    found = []
    for number, element in enumerate(elements):
        columns = []
        for freedom in range(6):
            departures = np.zeros(6)
            departures[freedom] = STEP_MM if freedom < 3 else STEP_RAD
            ways = []
            for way in (1.0, -1.0):
                others = [*elements[:number], element.moved(way * departures), *elements[number + 1 :]]
                again = place(steps, others, part_mm, solved.T_piece_part)
                ways.append(_small(again, solved))
            columns.append((ways[0] - ways[1]) / (2 * departures[freedom]))
        found.append(np.column_stack(columns))
    return tuple(found)


def _small(again: Solved | NotPlaced, solved: Solved) -> Floats:
    """The small motion (6,) between two placements."""
    if isinstance(again, NotPlaced):
        return np.zeros(6)
    step = again.T_piece_part @ solved.T_piece_part.inverse()
    skew = (step.rotation - step.rotation.T) / 2
    return np.array([skew[2, 1], skew[0, 2], skew[1, 0], *step.translation_mm])


def _origin(elements: Sequence[PieceElement], part_mm: Floats) -> Origin:
    """Turns are counted about the first element's place, at half the part's size."""
    return Origin(elements[0].point_mm, Origin.of(part_mm).radius_mm)


def _flip(step: Step, elements: Sequence[PieceElement], moved: RigidTransform) -> float:
    """+1 or -1: the sense in which an axis is taken."""
    if isinstance(step, HolesStep) or elements[step.element].is_plane:
        return 1.0
    return 1.0 if moved.turn(step.part_direction) @ elements[step.element].direction >= 0 else -1.0


def _settled(
    step: Step,
    elements: Sequence[PieceElement],
    at: tuple[RigidTransform, float],
    free: Floats,
    origin: Origin,
) -> RigidTransform:
    moved, flip = at
    scaled = np.linalg.qr(free / origin.units[:, None])[0] if free.shape[1] else free
    for _ in range(MOST_TURNS if free.shape[1] else 0):
        found = _rows(step, elements, (moved, flip), origin)
        left, sizes, right = np.linalg.svd((found.rows * origin.units) @ scaled, full_matrices=False)
        is_held: Bools = sizes > LEAST_HOLD
        share = (left.T @ found.wanted_mm)[is_held] / sizes[is_held]
        motion = (scaled @ (right[is_held].T @ share)) * origin.units
        turn = float(np.linalg.norm(motion[:3]))
        motion = motion * min(1.0, MOST_TURN_RAD / max(turn, 1e-300))
        moved = _clean(rigid(motion, origin) @ moved)
        if float(np.linalg.norm(motion / origin.units)) < SETTLED_MM:
            break
    return moved


def _clean(moved: RigidTransform) -> RigidTransform:
    """The same motion with the rounding of many products taken out."""
    return RigidTransform.from_matrix(moved.matrix())


def _rows(step: Step, elements: Sequence[PieceElement], at: tuple[RigidTransform, float], origin: Origin) -> _Rows:
    moved, flip = at
    if isinstance(step, HolesStep):
        points = moved.apply(step.part_points_mm)
        pairs = [
            _aside(point, elements[int(index)], origin) for point, index in zip(points, step.elements, strict=True)
        ]
        return _Rows(np.concatenate([pair.rows for pair in pairs]), np.concatenate([pair.wanted_mm for pair in pairs]))
    element = elements[step.element]
    point, direction = moved.apply(step.part_point_mm), moved.turn(step.part_direction)
    if element.is_plane:
        height = float((point - element.point_mm) @ element.direction) - step.offset_mm
        place_rows = _Rows(origin.rows(point[None], element.direction[None]), np.array([-height]))
        tilt = _tilt(direction, -element.direction, origin)
    else:
        place_rows = _aside(point, element, origin)
        tilt = _tilt(direction, flip * element.direction, origin)
    return _Rows(np.concatenate([tilt.rows, place_rows.rows]), np.concatenate([tilt.wanted_mm, place_rows.wanted_mm]))


def _aside(point_mm: Floats, element: PieceElement, origin: Origin) -> _Rows:
    """How far a point lies off an axis, in two ways across it."""
    across = _across(element.direction)
    rows = origin.rows(np.broadcast_to(point_mm, (2, 3)), across)
    return _Rows(rows, -across @ (point_mm - element.point_mm))


def _tilt(direction: Floats, wanted: Floats, origin: Origin) -> _Rows:
    """The turn that takes one direction to another, in two ways across the wanted one, mm at the part's size."""
    axis = np.cross(direction, wanted)
    size = float(np.linalg.norm(axis))
    angle = float(np.arctan2(size, direction @ wanted))
    across = _across(wanted)
    turn = angle * (across[0] if angle > HALF_TURN_RAD else axis / max(size, 1e-300))
    rows = np.concatenate([origin.radius_mm * across, np.zeros((2, 3))], axis=1)
    return _Rows(rows, origin.radius_mm * (across @ turn))


def _across(direction: Floats) -> Floats:
    """Two unit directions (2, 3) square to a unit one."""
    least = np.zeros(3)
    least[int(np.argmin(np.abs(direction)))] = 1.0
    first = np.cross(direction, least)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(direction, first)])


def _left(step: Step, elements: Sequence[PieceElement], moved: RigidTransform) -> tuple[Floats, float]:
    """How far off a step was left, mm, and at what angle, rad."""
    if isinstance(step, HolesStep):
        points = moved.apply(step.part_points_mm)
        offs = [_off(point, elements[int(index)]) for point, index in zip(points, step.elements, strict=True)]
        return np.array(offs), 0.0
    element = elements[step.element]
    point, direction = moved.apply(step.part_point_mm), moved.turn(step.part_direction)
    tilt = float(np.arcsin(min(1.0, float(np.linalg.norm(np.cross(direction, element.direction))))))
    if element.is_plane:
        return np.array([abs(float((point - element.point_mm) @ element.direction) - step.offset_mm)]), tilt
    return np.array([_off(point, element)]), tilt


def _off(point_mm: Floats, element: PieceElement) -> float:
    return float(np.linalg.norm(np.cross(point_mm - element.point_mm, element.direction)))

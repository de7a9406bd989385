"""One simulated piece of the coverage benchmark: its true errors, its noise-free surface, and a scan of it.

Every face of the part is moved by its own known error; where a face is not moved it is perfect.  The planes that
make the datum frame stay perfect, but for the bottom, which may be hollow along x: the tangent plane then rests
on both its ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.spatial.transform import Rotation

from tests.support.coverage_part import SHAPES, Ball, Core, CoveragePart, Flat, Round, Shape, Slot
from tests.support.scanning import random_pose
from worker.records import Bools, Floats, Ints, Scan
from worker.rigid import RigidTransform

DATUM_FACES = ("bottom", "front", "left")  # the frame ABC
DATUM_AXES = ("bore", "small boss")  # of coaxiality and run-out
FACING_NOISE_RAD = 0.03  # of a scanner's normals
FAULTY_SHARE = 0.4  # of faces that have an error of a given sort; the rest are perfect


@dataclass(frozen=True, kw_only=True)
class Fault:
    """What is wrong with one shape; each kind of shape uses its own part of it.

    shift_mm, turn : (3,) of round shapes, balls, slots and cores; the turn in radian
    growth_mm : of the radius, of half a slot's width, or of a plane along its normal
    tilt_mm, bow_mm, saddle_mm : of a plane, over its half extents
    lobe_mm, lobe_count, lobe_rad : waves round a bore or boss
    bend_mm : an axis bent like a bow, by this much between middle and ends
    flare_mm : of a bore's radius at both ends, more than in its middle
    widening : change of a cone's slope
    """

    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn: tuple[float, float, float] = (0.0, 0.0, 0.0)
    growth_mm: float = 0.0
    tilt_mm: tuple[float, float] = (0.0, 0.0)
    bow_mm: float = 0.0
    saddle_mm: float = 0.0
    lobe_mm: float = 0.0
    lobe_count: int = 3
    lobe_rad: float = 0.0
    bend_mm: float = 0.0
    flare_mm: float = 0.0
    widening: float = 0.0


PERFECT = Fault()


@dataclass(frozen=True, kw_only=True)
class Chances:
    """Which errors the shapes of a part may have.

    half_mm : (3,) half the size of the part, from the corner of its datum planes
    perfect : never off;  hollow : the face that may be hollow along x, and is nothing else
    level : faces that stay plane;  bent, flared : rounds whose axis may be bent, whose ends may be wider
    half_seen : rounds of which a scanner may miss one side
    """

    shapes: Mapping[str, Shape]
    half_mm: tuple[float, float, float]
    perfect: tuple[str, ...]
    half_seen: tuple[str, ...]
    bent: tuple[str, ...]
    hollow: str | None = None
    level: tuple[str, ...] = ()
    flared: tuple[str, ...] = ()
    diagonal_mm: float = 128.0  # 5 % of which a coarse pose may be off


CHANCES = Chances(
    shapes=SHAPES,
    half_mm=(50.0, 35.0, 20.0),
    perfect=(*DATUM_FACES, *DATUM_AXES),
    half_seen=("hole 2", "hole 4", "hole 7", "small bore", "cone"),
    bent=("hole 3", "hole 4", "under cone"),
    hollow="bottom",
)


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece with all that is true of it.

    scale : of the whole piece, about the corner where the datum planes meet
    missing : (4,) plane (normal, distance) beyond which nothing is scanned, or ball (centre, radius); None where all is
    blind : arc (from, width) in radian of round shapes of which nothing is scanned
    """

    faults: Mapping[str, Fault]
    scale: float
    noise_mm: float
    missing: Floats | None
    is_missing_ball: bool
    blind: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    shapes: Mapping[str, Shape] = field(default_factory=lambda: SHAPES)

    def surface(self, name: str, nominal_mm: Floats) -> Floats:
        """Where points (n, 3) of a nominal face lie on the piece, noise-free."""
        shape = self.shapes[name]
        moved = _MOVED[type(shape)](shape, self.faults.get(name, PERFECT), nominal_mm)
        return self.scale * moved

    def is_seen(self, name: str, nominal_mm: Floats) -> Bools:
        """Which points (n, 3) of a nominal face are scanned."""
        seen = np.ones(len(nominal_mm), dtype=bool)
        if self.missing is not None:
            where = self.missing[:3]
            reach = np.linalg.norm(nominal_mm - where, axis=1) if self.is_missing_ball else -(nominal_mm @ where)
            seen = reach > (self.missing[3] if self.is_missing_ball else -self.missing[3])
        if name in self.blind:
            start, width = self.blind[name]
            seen = seen & ((round_angle(self.shapes[name], nominal_mm) - start) % (2 * np.pi) > width)
        return seen


def round_angle(shape: Shape, nominal_mm: Floats) -> Floats:
    """Angle (n,) of points about the axis of a round shape."""
    assert isinstance(shape, Round)
    x, y, _ = ((nominal_mm - shape.middle_mm) @ shape.axes.T).T
    angle: Floats = np.arctan2(y, x)
    return angle


def _moved_flat(shape: Shape, fault: Fault, nominal_mm: Floats) -> Floats:
    assert isinstance(shape, Flat)
    u, v = (((nominal_mm - np.array(shape.point_mm)) @ shape.along.T) / np.array(shape.half_mm)).T
    height = fault.growth_mm + fault.tilt_mm[0] * u + fault.tilt_mm[1] * v
    height = height + fault.bow_mm * u**2 + fault.saddle_mm * u * v
    moved: Floats = nominal_mm + height[:, None] * np.array(shape.normal)
    return moved


def _moved_round(shape: Shape, fault: Fault, nominal_mm: Floats) -> Floats:
    """Sections square to nominal's axis stay round: a tilt of 0.005 makes them oval by a ten-thousandth of a mm."""
    assert isinstance(shape, Round)
    x, y, height = ((nominal_mm - shape.middle_mm) @ shape.axes.T).T
    angle = np.arctan2(y, x)
    radius = shape.radius_mm + fault.growth_mm + (shape.slope + fault.widening) * height
    radius = radius + fault.flare_mm * (height / shape.half_mm) ** 2
    radius = radius + fault.lobe_mm * np.cos(fault.lobe_count * angle + fault.lobe_rad)
    aside = np.array(fault.shift_mm[:2])[:, None] + np.array(fault.turn[:2])[:, None] * height
    aside[0] += fault.bend_mm * (height / shape.half_mm) ** 2
    placed = np.stack([radius * np.cos(angle) + aside[0], radius * np.sin(angle) + aside[1], height], axis=1)
    moved: Floats = shape.middle_mm + placed @ shape.axes
    return moved


def _moved_ball(shape: Shape, fault: Fault, nominal_mm: Floats) -> Floats:
    assert isinstance(shape, Ball)
    out = nominal_mm - np.array(shape.middle_mm)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    moved: Floats = np.array(shape.middle_mm) + np.array(fault.shift_mm) + (shape.radius_mm + fault.growth_mm) * out
    return moved


def _moved_slot(shape: Shape, fault: Fault, nominal_mm: Floats) -> Floats:
    """Widened, moved across, and leaning about its length."""
    assert isinstance(shape, Slot)
    middle = shape.middles_mm(nominal_mm)
    out = nominal_mm - middle
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    moved = middle + (shape.radius_mm + fault.growth_mm) * out
    moved[:, 1] += fault.shift_mm[1] + fault.turn[0] * (nominal_mm[:, 2] - 20.0)
    return moved


def _moved_core(shape: Shape, fault: Fault, nominal_mm: Floats) -> Floats:
    assert isinstance(shape, Core)
    turned = Rotation.from_rotvec(fault.turn).apply(nominal_mm - shape.middle_mm)
    moved: Floats = shape.middle_mm + turned + np.array(fault.shift_mm)
    return moved


_MOVED = {Flat: _moved_flat, Round: _moved_round, Ball: _moved_ball, Slot: _moved_slot, Core: _moved_core}


def random_piece(rng: np.random.Generator, chances: Chances = CHANCES) -> Piece:
    """Errors of the sizes castings and prints have; a quarter of the pieces shrunk, two thirds with surface missing."""
    faults = {name: _random_fault(name, chances, rng) for name in chances.shapes}
    half = np.array(chances.half_mm)
    way = rng.random()
    missing, is_ball = None, False
    if chances.hollow is not None and faults[chances.hollow].bow_mm:
        pass  # what it rests on must be seen, or the truth is nobody's to know
    elif way < 1 / 3:
        centre = half + rng.uniform(-1, 1, 3) * half
        missing, is_ball = np.r_[centre, rng.uniform(10.0, 25.0)], True
    elif way < 2 / 3:
        direction = rng.normal(size=3)
        direction /= np.linalg.norm(direction)
        reach = np.abs(direction) @ half + direction @ half
        missing = np.r_[direction, reach - rng.uniform(5.0, 35.0)]
    return Piece(
        faults=faults,
        blind={
            name: (rng.uniform(0, 2 * np.pi), rng.uniform(0.5, np.pi))
            for name in chances.half_seen
            if rng.random() < 0.3
        },
        scale=1.0 - rng.uniform(0.001, 0.01) if rng.random() < 0.25 else 1.0,
        noise_mm=float(rng.uniform(0.01, 0.05)),
        missing=missing,
        is_missing_ball=is_ball,
        shapes=chances.shapes,
    )


def _random_fault(name: str, chances: Chances, rng: np.random.Generator) -> Fault:
    """Each sort of error in 40 % of the shapes that can have it."""
    draws, use = rng.uniform(-1, 1, 12), rng.random(6) < FAULTY_SHARE
    count = int(rng.integers(2, 6))
    shape = chances.shapes[name]
    if name == chances.hollow:
        return Fault(bow_mm=0.02 + 0.02 * abs(draws[0]) if use[0] else 0.0)
    if name in chances.perfect:
        return PERFECT
    if isinstance(shape, Flat):
        return Fault(
            growth_mm=0.15 * draws[0] * use[0],
            tilt_mm=(0.05 * draws[1] * use[1], 0.05 * draws[2] * use[1]),
            bow_mm=0.04 * draws[3] * (use[2] and name not in chances.level),
            saddle_mm=0.04 * draws[4] * (use[3] and name not in chances.level),
        )
    fault = Fault(
        shift_mm=tuple(0.2 * draws[:3] * use[0]),
        turn=tuple(0.004 * draws[3:6] * use[1]),
        growth_mm=0.1 * draws[6] * use[2],
    )
    if not isinstance(shape, Round):
        return fault
    if shape.slope:
        return replace(fault, widening=0.01 * draws[7] * use[3])
    return replace(
        fault,
        lobe_mm=0.04 * abs(draws[7]) * use[3],
        lobe_count=count,
        lobe_rad=np.pi * draws[8],
        bend_mm=0.03 * draws[9] * (use[4] and name in chances.bent),
        flare_mm=0.05 * draws[10] * (use[5] and name in chances.flared),
    )


def scan_of(
    part: CoveragePart, piece: Piece, rng: np.random.Generator, point_count: int
) -> tuple[Scan, RigidTransform]:
    """The scan in a random pose, and the true ``T_nominal_scan``, which lays the datum planes on nominal's."""
    points, normals, owner = strewn(part, point_count, rng)
    moved, kept = points.copy(), np.zeros(len(points), dtype=bool)
    for index, name in enumerate(part.shapes):
        own = np.flatnonzero(owner == index)
        moved[own] = piece.surface(name, points[own])
        kept[own] = piece.is_seen(name, points[own])
    noisy = moved + rng.normal(0.0, piece.noise_mm, moved.shape)
    facing = normals + rng.normal(0.0, FACING_NOISE_RAD, normals.shape)
    facing /= np.linalg.norm(facing, axis=1, keepdims=True)
    pose = random_pose(rng)
    scan = Scan(pose.apply(noisy[kept]), pose.turn(facing[kept]), None, "mm", 0.0)
    return scan, pose.inverse()


def strewn(part: CoveragePart, count: int, rng: np.random.Generator) -> tuple[Floats, Floats, Ints]:
    """Points (n, 3) uniform over nominal's facets, their normals, and the shape each lies on."""
    corners = part.nominal.vertices_mm[part.nominal.triangles]
    crossed = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double_area = np.linalg.norm(crossed, axis=1)
    chosen = rng.choice(len(corners), size=count, p=double_area / double_area.sum())
    u, v = rng.random((2, count, 1))
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    first, second, third = corners[chosen].transpose(1, 0, 2)
    points = first + u * (second - first) + v * (third - first)
    return points, (crossed / double_area[:, None])[chosen], part.owner[chosen]

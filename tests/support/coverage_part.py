"""The part of the coverage benchmark: a small casting with a feature of every kind, read from STEP.

A block of 100 x 70 x 40 mm with a step, through and blind holes of three sizes, two bosses, a slot, a tapered
seat, a ball seat, a chamfer, and a cavity left by a named core under a wall of 5 mm.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

from shared.units import LengthUnit
from tests.support.solids import box, cut, cylinder, fuse, prism, sphere, tessellated
from tests.support.step_files import write_step
from worker.features.detect import detect_features
from worker.features.records import Feature, FeatureKind
from worker.reading import Source, read_nominal
from worker.records import Body, Bools, Floats, Ints, Nominal, SurfaceKind

Spot = tuple[float, float, float]
UP: Spot = (0.0, 0.0, 1.0)
SIZE_MM = (100.0, 70.0, 40.0)
CORE_LOW_MM, CORE_HIGH_MM = (74.0, 18.0, 9.0), (100.0, 40.0, 23.0)
ON_IT_MM = 1e-5  # vertices lie on their surface to the rounding of the file


@dataclass(frozen=True)
class Flat:
    """A plane face: a point of it, its outward normal, and the half extents that its form is counted in."""

    point_mm: Spot
    normal: Spot
    half_mm: tuple[float, float]
    kind: FeatureKind = FeatureKind.PLANE

    @property
    def along(self) -> Floats:
        """(2, 3) unit directions in the plane: x or else y first."""
        first = np.array([1.0, 0.0, 0.0] if self.normal[0] == 0 else [0.0, 1.0, 0.0])
        return np.stack([first, np.cross(self.normal, first)])

    def off_mm(self, points_mm: Floats) -> Floats:
        """Distance (n,) from the plane."""
        off: Floats = (points_mm - np.array(self.point_mm)) @ np.array(self.normal)
        return off


@dataclass(frozen=True)
class Round:
    """A hole, boss or cone: ends of its axis, radius at the middle; a cone widens along its axis."""

    start_mm: Spot
    end_mm: Spot
    radius_mm: float
    kind: FeatureKind = FeatureKind.HOLE
    slope: float = 0.0  # growth of the radius with height: tangent of a cone's half angle

    @property
    def middle_mm(self) -> Floats:
        """(3,) of the axis."""
        middle: Floats = (np.array(self.start_mm) + np.array(self.end_mm)) / 2
        return middle

    @property
    def half_mm(self) -> float:
        """Half the length of the axis."""
        return float(np.linalg.norm(np.subtract(self.end_mm, self.start_mm))) / 2

    @property
    def axes(self) -> Floats:
        """(3, 3) two unit directions across, and the axis."""
        axis = np.subtract(self.end_mm, self.start_mm) / (2 * self.half_mm)
        first = np.array([1.0, 0.0, 0.0])
        return np.stack([first, np.cross(axis, first), axis])

    def off_mm(self, points_mm: Floats) -> Floats:
        """Distance (n,) from the surface, square to the axis; beyond the ends how far beyond."""
        across = (points_mm - self.middle_mm) @ self.axes.T
        radius = np.linalg.norm(across[:, :2], axis=1)
        beyond = np.maximum(np.abs(across[:, 2]) - self.half_mm, 0.0)
        off: Floats = np.abs(radius - self.radius_mm - self.slope * across[:, 2]) + beyond
        return off


@dataclass(frozen=True)
class Ball:
    """A ball seat."""

    middle_mm: Spot
    radius_mm: float
    kind: FeatureKind = FeatureKind.SPHERE

    def off_mm(self, points_mm: Floats) -> Floats:
        """Distance (n,) from the sphere."""
        off: Floats = np.abs(np.linalg.norm(points_mm - np.array(self.middle_mm), axis=1) - self.radius_mm)
        return off


@dataclass(frozen=True)
class Slot:
    """A slot with its depth along z and its length along x: ends of its axis, half width, half length of its flats."""

    start_mm: Spot
    end_mm: Spot
    radius_mm: float
    reach_mm: float
    kind: FeatureKind = FeatureKind.SLOT

    def middles_mm(self, points_mm: Floats) -> Floats:
        """The point (n, 3) of the slot's middle line nearest each point, at the point's height."""
        nearest = points_mm.copy()
        nearest[:, 0] = self.start_mm[0] + np.clip(points_mm[:, 0] - self.start_mm[0], -self.reach_mm, self.reach_mm)
        nearest[:, 1] = self.start_mm[1]
        return nearest

    def off_mm(self, points_mm: Floats) -> Floats:
        """Distance (n,) from its wall."""
        off: Floats = np.abs(np.linalg.norm(points_mm - self.middles_mm(points_mm), axis=1) - self.radius_mm)
        return off


@dataclass(frozen=True)
class Core:
    """All that the core left: five planes of a box."""

    low_mm: Spot
    high_mm: Spot
    kind: FeatureKind | None = None

    @property
    def middle_mm(self) -> Floats:
        """(3,) of the box."""
        middle: Floats = (np.array(self.low_mm) + np.array(self.high_mm)) / 2
        return middle

    def off_mm(self, points_mm: Floats) -> Floats:
        """How far (n,) outside the box."""
        beyond = np.maximum(np.array(self.low_mm) - points_mm, points_mm - np.array(self.high_mm))
        outside: Floats = np.maximum(beyond, 0.0).max(axis=1)
        return outside


Shape = Flat | Round | Ball | Slot | Core
BOSS = FeatureKind.BOSS

SHAPES: Mapping[str, Shape] = MappingProxyType(
    {
        "bottom": Flat((50.0, 35.0, 0.0), (0.0, 0.0, -1.0), (50.0, 35.0)),
        "front": Flat((50.0, 0.0, 20.0), (0.0, -1.0, 0.0), (50.0, 20.0)),
        "left": Flat((0.0, 35.0, 20.0), (-1.0, 0.0, 0.0), (35.0, 20.0)),
        "top": Flat((35.0, 33.0, 40.0), UP, (35.0, 33.0)),
        "step": Flat((85.0, 35.0, 28.0), UP, (15.0, 35.0)),
        "step wall": Flat((70.0, 35.0, 34.0), (1.0, 0.0, 0.0), (35.0, 6.0)),
        "right": Flat((100.0, 35.0, 14.0), (1.0, 0.0, 0.0), (35.0, 14.0)),
        "back": Flat((50.0, 70.0, 18.0), (0.0, 1.0, 0.0), (50.0, 18.0)),
        "chamfer": Flat((35.0, 68.0, 38.0), (0.0, 0.5**0.5, 0.5**0.5), (35.0, 8.0**0.5)),
        "ring top": Flat((30.0, 30.0, 55.0), UP, (14.0, 14.0)),
        "ring": Round((30.0, 30.0, 40.0), (30.0, 30.0, 55.0), 14.0, BOSS),
        "bore": Round((30.0, 30.0, 0.0), (30.0, 30.0, 55.0), 8.0),
        "small boss": Round((85.0, 54.0, 28.0), (85.0, 54.0, 44.0), 8.0, BOSS),
        "small bore": Round((85.0, 54.0, 0.0), (85.0, 54.0, 44.0), 4.0),
        "hole 1": Round((10.0, 10.0, 0.0), (10.0, 10.0, 40.0), 4.0),
        "hole 2": Round((10.0, 60.0, 0.0), (10.0, 60.0, 40.0), 4.0),
        "hole 3": Round((28.0, 60.0, 0.0), (28.0, 60.0, 40.0), 4.0),
        "hole 4": Round((42.0, 57.0, 0.0), (42.0, 57.0, 40.0), 6.0),
        "hole 5": Round((78.0, 8.0, 0.0), (78.0, 8.0, 28.0), 3.0),
        "hole 6": Round((94.0, 8.0, 0.0), (94.0, 8.0, 28.0), 3.0),
        "hole 7": Round((8.0, 35.0, 0.0), (8.0, 35.0, 40.0), 3.0),
        "under cone": Round((58.0, 57.0, 0.0), (58.0, 57.0, 32.0), 4.0),
        "side hole": Round((86.0, 13.0, 14.0), (86.0, 0.0, 14.0), 4.0),
        "cone": Round((58.0, 57.0, 32.0), (58.0, 57.0, 40.0), 6.0, FeatureKind.CONE, slope=0.5),
        "ball": Ball((58.0, 36.0, 40.0), 9.0),
        "slot": Slot((50.0, 10.0, 0.0), (50.0, 10.0, 40.0), 4.0, 8.0),
        "core": Core(CORE_LOW_MM, CORE_HIGH_MM),
    }
)


@dataclass(frozen=True, eq=False)
class CoveragePart:
    """A part as read.

    shapes : what its surface is made of
    core : the body by whose surface the cavity is named
    owner : (m,) index into the names of ``shapes`` of each triangle, -1 where it is none's, such as the floor of a
        blind hole: nobody scans that
    detected, features : all that was detected, and the one of each name; the core has none
    bodies : bought-in parts, where their files put them
    """

    nominal: Nominal
    shapes: Mapping[str, Shape]
    core: Body
    owner: Ints
    detected: tuple[Feature, ...]
    features: Mapping[str, Feature]
    bodies: tuple[Body, ...] = ()


@lru_cache(maxsize=1)
def coverage_part() -> CoveragePart:
    """Built and read once."""
    return part_read(_solid(), SHAPES, (36.0, 22.0, 14.0))


def part_read(
    solid: Any, shapes: Mapping[str, Shape], core_size_mm: Spot, bodies: tuple[Body, ...] = ()
) -> CoveragePart:
    """A solid made of such shapes as the reading stage hands it over; its core reaches out through an opening."""
    with tempfile.TemporaryDirectory() as folder:
        path = write_step(Path(folder) / "part.step", solid)
        nominal = read_nominal(Source(path, "part.step", LengthUnit.MILLIMETRE))
    detected = detect_features(nominal)
    hollow = shapes["core"]
    assert isinstance(hollow, Core)
    core = tessellated(box(hollow.low_mm, core_size_mm))
    return CoveragePart(
        nominal=nominal,
        shapes=shapes,
        core=Body("core", "core", core.vertices_mm, core.triangles),
        owner=_owners(nominal, shapes),
        detected=detected,
        features=MappingProxyType(
            {
                name: _detected(name, shape, nominal, detected)
                for name, shape in shapes.items()
                if shape.kind is not None
            }
        ),
        bodies=bodies,
    )


def _solid() -> Any:
    block = fuse([box((0, 0, 0), SIZE_MM), cylinder((30, 30, 30), UP, 14, 25)])
    edge = [(0.0, 66.0, 40.0), (0.0, 71.0, 35.0), (0.0, 71.0, 41.0), (0.0, 66.0, 41.0)]
    lowered = cut(block, [box((70, -1, 28), (31, 72, 40)), prism(edge, (70, 0, 0))])
    whole = fuse([lowered, cylinder((85, 54, 20), UP, 8, 24)])
    tools = [_drill(shape) for name, shape in SHAPES.items() if isinstance(shape, Round) and _is_drilled(name)]
    seat = gp_Ax2(gp_Pnt(58, 57, 32), gp_Dir(0, 0, 1))
    tools += [BRepPrimAPI_MakeCone(seat, 4.0, 8.5, 9.0).Shape(), sphere((58, 36, 40), 9)]
    flats = box((42, 6, -1), (16, 8, 42))
    tools += [fuse([flats, cylinder((42, 10, -1), UP, 4, 42), cylinder((58, 10, -1), UP, 4, 42)])]
    return cut(whole, [*tools, box(CORE_LOW_MM, (30, 22, 14))])


def _is_drilled(name: str) -> bool:
    return "hole" in name or "bore" in name or name == "under cone"


def _drill(hole: Round) -> Any:
    """The tool of a hole: a little past its mouths, and to the floor of the one along y."""
    axis = hole.axes[2]
    start = np.array(hole.start_mm) - (axis if axis[2] else 0.0)
    is_under_seat = hole.end_mm[2] == SHAPES_SEAT_MM
    length = 2 * hole.half_mm + (1 if axis[2] else 0) + (0 if is_under_seat else 1)
    return cylinder(tuple(start), tuple(axis), hole.radius_mm, length)


SHAPES_SEAT_MM = 32.0  # height at which the tapered seat goes on


def _owners(nominal: Nominal, shapes: Mapping[str, Shape]) -> Ints:
    """Each face belongs to the shape all its vertices lie on."""
    owner = np.full(len(nominal.faces), -1, dtype=np.int64)
    for face in nominal.faces:
        corners = nominal.vertices_mm[np.unique(nominal.triangles[nominal.triangle_face == face.index])]
        for index, shape in enumerate(shapes.values()):
            if face.kind in _SURFACES[type(shape)] and _has_kind(shape, face.kind):
                is_on: Bools = np.abs(shape.off_mm(corners)) < ON_IT_MM
                owner[face.index] = index if is_on.all() else owner[face.index]
    return owner[nominal.triangle_face]


def _has_kind(shape: Shape, kind: SurfaceKind) -> bool:
    return not isinstance(shape, Round) or (kind is SurfaceKind.CONE) == (shape.slope != 0)


_SURFACES: Mapping[type, tuple[SurfaceKind, ...]] = {
    Flat: (SurfaceKind.PLANE,),
    Core: (SurfaceKind.PLANE,),
    Ball: (SurfaceKind.SPHERE,),
    Slot: (SurfaceKind.PLANE, SurfaceKind.CYLINDER),
    Round: (SurfaceKind.CYLINDER, SurfaceKind.CONE),
}


def _detected(name: str, shape: Shape, nominal: Nominal, detected: tuple[Feature, ...]) -> Feature:
    """The detected feature of the shape's kind all of whose vertices lie on it."""
    found = [
        feature
        for feature in detected
        if feature.kind is shape.kind
        and (np.abs(shape.off_mm(nominal.vertices_mm[nominal.triangles[feature.triangles].ravel()])) < ON_IT_MM).all()
    ]
    assert len(found) == 1, f"{len(found)} features are the {name}"
    return found[0]

"""A casting with three cores, and scans of it with each core shifted and turned by known amounts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tests.support.scanning import random_pose
from tests.support.solids import Tool, bent_tube, box, cut_named, cylinder, fuse, tessellated
from worker.measuring.analytic import exact_distance, face_table
from worker.records import Bools, Floats, Ints, Nominal, Scan
from worker.rigid import RigidTransform

SIZE_MM = (100.0, 80.0, 60.0)
MIDDLE_MM = np.array(SIZE_MM) / 2
CORES = ("port", "jacket", "gallery")
MOST_SHIFT_MM, MOST_TURN_RAD = 0.6, np.radians(0.3)
NOISE_MM = (0.02, 0.03)
FACING_NOISE_RAD = 0.03  # of a scanner's normals
POINT_COUNT = 40_000
SEEN_OF_BLIND = 50  # points left on a core that is hardly seen: fewer than a displacement needs


@lru_cache(maxsize=1)
def core_casting() -> Nominal:
    """A block with a bent port, a box-like jacket with an outlet, and two crossing passages; a step and two holes."""
    block = fuse([box((0, 0, 0), SIZE_MM), cylinder((80, 60, 50), (0, 0, 1), 12, 18)])
    port = bent_tube((25, 25, -5), (25, 25, 32), (25, 85, 32), radius_mm=11, bend_mm=15)
    jacket = fuse([box((48, 12, 14), (38, 40, 26)), cylinder((67, 32, 20), (0, 0, 1), 7, 60)])
    gallery = fuse([cylinder((-5, 12, 52), (1, 0, 0), 3, 80), cylinder((40, -5, 52), (0, 1, 0), 4, 55)])
    outside = [box((-1, 70, 45), (30, 11, 16)), cylinder((92, 8, -1), (0, 0, 1), 4, 70)]
    tools = [Tool("port", port), Tool("jacket", jacket), Tool("gallery", gallery)]
    tools += [Tool("outside", one) for one in outside]
    return tessellated(*cut_named(block, tools), with_surfaces=True)


def on_core(nominal: Nominal, name: str, face: Ints) -> Bools:
    """Which places, known by their faces (n,), a core left."""
    chosen: Bools = np.isin(face, [one.index for one in nominal.faces if one.name == name])
    return chosen


@dataclass(frozen=True, eq=False)
class CorePiece:
    """What is true of one casting.

    motions : of each core;  noise_mm : of the scan;  blind : the core that is hardly seen, if there is one
    """

    motions: Mapping[str, RigidTransform]
    noise_mm: float
    blind: str | None


def random_casting(rng: np.random.Generator, *, blind_share: float = 0.15) -> CorePiece:
    """Cores off by up to 0.6 mm and 0.3 degrees; in a share of the castings one core is hardly seen."""
    return CorePiece(
        motions={name: _motion(rng) for name in CORES},
        noise_mm=float(rng.uniform(*NOISE_MM)),
        blind=str(rng.choice(CORES)) if rng.random() < blind_share else None,
    )


def scan_of(piece: CorePiece, rng: np.random.Generator, *, count: int = POINT_COUNT) -> tuple[Scan, RigidTransform]:
    """The scan in a random pose, and the true ``T_nominal_scan``."""
    nominal = core_casting()
    points, normals, face = _strewn(nominal, count, rng)
    kept = np.ones(count, dtype=bool)
    for name, motion in piece.motions.items():
        own = np.flatnonzero(on_core(nominal, name, face))
        points[own], normals[own] = motion.apply(points[own]), motion.turn(normals[own])
        kept[own[SEEN_OF_BLIND:]] = name != piece.blind
    points += rng.normal(0.0, piece.noise_mm, points.shape)
    normals += rng.normal(0.0, FACING_NOISE_RAD, normals.shape)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    pose = random_pose(rng)
    return Scan(pose.apply(points[kept]), pose.turn(normals[kept]), None, "mm", 0.0), pose.inverse()


def _motion(rng: np.random.Generator) -> RigidTransform:
    way, axis = rng.normal(size=(2, 3))
    shift = rng.uniform(0, MOST_SHIFT_MM) * way / np.linalg.norm(way)
    turn = rng.uniform(0, MOST_TURN_RAD) * axis / np.linalg.norm(axis)
    return RigidTransform.about(turn, shift, MIDDLE_MM)


def _strewn(nominal: Nominal, count: int, rng: np.random.Generator) -> tuple[Floats, Floats, Ints]:
    """Points (n, 3) evenly over the exact surface, their normals and faces."""
    corners = nominal.vertices_mm[nominal.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1)
    chosen = rng.choice(len(area), size=count, p=area / area.sum())
    points = np.einsum("ij,ijk->ik", rng.dirichlet([1.0, 1.0, 1.0], count), corners[chosen])
    face = nominal.triangle_face[chosen]
    off, exact, is_exact = exact_distance(face_table(nominal.faces), face, points)
    normals = np.where(is_exact[:, None], exact, cross[chosen] / area[chosen, None])
    return points - np.where(is_exact, off, 0.0)[:, None] * normals, normals, face

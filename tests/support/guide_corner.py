"""A corner of an invented head: a leaning valve guide over a throat, its spring pocket, a chamber, two dowel holes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np

from shared.plan import Plan
from tests.support.shapes import deviation_of, perfect_alignment
from tests.support.solids import Tool, box, cut_named, cylinder, sphere, tessellated
from worker.features.detect import detect_features
from worker.features.records import Feature
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.measuring.analytic import exact_distance, face_table
from worker.measuring.regions import Places, choose_regions
from worker.records import Bools, Characteristic, Floats, Nominal, Scan

SIZE_MM = (90.0, 60.0, 50.0)
LEAN_RAD = np.radians(14.0)
GUIDE_AXIS = np.array([np.sin(LEAN_RAD), 0.0, np.cos(LEAN_RAD)])  # leans toward +x
GUIDE_AT_MM = np.array([25.0, 30.0, 20.0])  # a point of the guide's axis
THROAT_AT_MM = np.array([25.0, 30.0])  # x, y of the throat's own axis, which is upright
GUIDE_RADIUS_MM, THROAT_RADIUS_MM, POCKET_RADIUS_MM = 4.0, 12.0, 9.0
FLOOR_ALONG_MM = 18.0  # the pocket's floor, along the guide from GUIDE_AT_MM
BALL_RADIUS_MM, BALL_DEPTH_MM, BALL_AT_MM = 20.0, 9.0, (65.0, 30.0)  # the chamber: a cap of a ball, from below
DOWELS_MM = ((10.0, 8.0), (80.0, 8.0))  # mirrored along x
DOWEL_RADIUS_MM = 4.0
POINT_COUNT = 60_000
REGIONS = [
    {"name": "throat", "face_names": ["throat"]},
    {"name": "chamber", "face_names": ["chamber"]},
    {"name": "pocket", "face_names": ["pocket"]},
]
GUIDE, FLOOR, TOP, BOTTOM = (
    {"point": (GUIDE_AT_MM + 14 * GUIDE_AXIS).tolist()},
    {"point": (GUIDE_AT_MM + FLOOR_ALONG_MM * GUIDE_AXIS + [0.0, 6.0, 0.0]).tolist()},
    {"point": [3.0, 50.0, 50.0]},
    {"point": [3.0, 50.0, 0.0]},
)
DOWELS = tuple({"point": [x, y, 40.0]} for x, y in DOWELS_MM)


Hidden = Callable[[Floats], Bools]  # of points (n, 3)


@dataclass(frozen=True)
class Faults:
    """What is wrong with a piece.  Shifts x, y of throat and dowels; deeper: the pocket's floor; grown: the ball."""

    throat_mm: tuple[float, float] = (0.0, 0.0)
    deeper_mm: float = 0.0
    grown_mm: float = 0.0
    dowels_mm: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 0.0), (0.0, 0.0))
    bottom_mm: float = 0.0


SOUND = Faults()
WRONG = Faults((0.3, -0.2), 0.25, 0.2, ((0.3, 0.1), (-0.1, 0.05)), 0.1)
NOISY = tuple((faults, seed) for faults in (SOUND, WRONG) for seed in (1, 2))  # pieces that tests with noise share


def along_guide(distance_mm: float) -> tuple[float, float, float]:
    """A point of the guide's axis, counted from ``GUIDE_AT_MM``."""
    x, y, z = GUIDE_AT_MM + distance_mm * GUIDE_AXIS
    return float(x), float(y), float(z)


@lru_cache(maxsize=8)
def corner(faults: Faults = SOUND) -> Nominal:
    """The part, or a piece of it; faces know their planes, cylinders and ball."""
    low, way = faults.bottom_mm, GUIDE_AXIS.tolist()
    throat = [*(THROAT_AT_MM + faults.throat_mm), -5.0]
    start, floor = along_guide(-12.0), along_guide(FLOOR_ALONG_MM - faults.deeper_mm)
    ball = (*BALL_AT_MM, BALL_DEPTH_MM - BALL_RADIUS_MM)
    holes = [
        Tool("dowel", cylinder((x + dx, y + dy, 30), (0, 0, 1), DOWEL_RADIUS_MM, 30))
        for (x, y), (dx, dy) in zip(DOWELS_MM, faults.dowels_mm, strict=True)
    ]
    tools = [
        Tool("throat", cylinder(throat, (0, 0, 1), THROAT_RADIUS_MM, 25)),
        Tool("guide", cylinder(start, way, GUIDE_RADIUS_MM, 60)),
        Tool("pocket", cylinder(floor, way, POCKET_RADIUS_MM, 30)),
        Tool("chamber", sphere(ball, BALL_RADIUS_MM + faults.grown_mm)),
        *holes,
    ]
    block = box((0, 0, low), (*SIZE_MM[:2], SIZE_MM[2] - low))
    return tessellated(*cut_named(block, tools), chord_mm=0.05, angle_rad=0.2, with_surfaces=True)


@lru_cache(maxsize=1)
def _features() -> tuple[Feature, ...]:
    return detect_features(corner())


def plan_of(*lines: Mapping[str, Any], **rest: Any) -> Plan:
    """A plan of these lines in mm, with the part's regions."""
    named = [{"id": f"it-{number}", **line} for number, line in enumerate(lines)]
    whole = {"firstpour_plan": "1", "regions": REGIONS, "characteristics": named, **rest}
    return Plan.model_validate(whole).to_mm()


@lru_cache(maxsize=24)
def measured(faults: Faults = SOUND, seed: int = 0, noise_mm: float = 0.0, unseen: str = "") -> Measured:
    """A piece scanned in place; ``unseen`` names what the scanner missed (``HIDDEN``)."""
    points, normals = scanned(corner(faults), np.random.default_rng(seed), noise_mm)
    kept = ~HIDDEN[unseen](points) if unseen else np.ones(len(points), dtype=bool)
    nominal = corner()
    samples, deviation = deviation_of(nominal, Scan(points[kept], normals[kept], None, "mm", 0.0))
    return Measured(
        nominal=nominal,
        samples=samples,
        alignment=perfect_alignment(),
        deviation=deviation,
        thickness=None,
        regions=choose_regions(plan_of(), Places(nominal, samples, (), _features())),
        quantum_mm=0.0,
        features=_features(),
    )


def scanned(piece: Nominal, rng: np.random.Generator, noise_mm: float) -> tuple[Floats, Floats]:
    """Points evenly over the exact surface of the piece, moved along its normals by noise, and the normals."""
    corners = piece.vertices_mm[piece.triangles]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    triangle = rng.choice(len(area), size=POINT_COUNT, p=area / area.sum())
    points = np.einsum("ij,ijk->ik", rng.dirichlet([1.0, 1.0, 1.0], size=POINT_COUNT), corners[triangle])
    off, normals, _ = exact_distance(face_table(piece.faces), piece.triangle_face[triangle], points)
    noise = rng.normal(scale=noise_mm, size=POINT_COUNT)
    return points + (noise - off)[:, None] * normals, normals


def judged(piece: Measured, line: Mapping[str, Any], **rest: Any) -> Characteristic:
    """One line judged."""
    return judge_plan(plan_of(line, **rest), piece)[0]


def _behind_throat(share: float) -> Hidden:
    def hidden(points: Floats) -> Bools:
        arm = points[:, :2] - THROAT_AT_MM
        is_near = (np.linalg.norm(arm, axis=1) < THROAT_RADIUS_MM + 1) & (points[:, 2] < 21)
        is_hidden: Bools = is_near & (np.abs(np.arctan2(arm[:, 1], arm[:, 0])) < np.pi * share)
        return is_hidden

    return hidden


def _beyond(x_mm: float) -> Hidden:
    def hidden(points: Floats) -> Bools:
        is_in = np.linalg.norm(points[:, :2] - BALL_AT_MM, axis=1) < 19
        is_hidden: Bools = is_in & (points[:, 0] > x_mm) & (points[:, 2] > 0.1) & (points[:, 2] < 12)
        return is_hidden

    return hidden


HIDDEN: Mapping[str, Hidden] = MappingProxyType(
    {
        "a fifth of the throat": _behind_throat(0.2),
        "half of the throat": _behind_throat(0.5),
        "half of the chamber": _beyond(65.0),
        "a corner of the chamber": _beyond(74.0),
    }
)

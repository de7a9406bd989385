"""Blocks with drilled cavities whose walls have closed forms, and scans of them with cavities out of place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from tests.support.shapes import perfect_alignment
from tests.support.solids import Tool, box, cut_named, cylinder, sphere, tessellated
from worker.features.detect import detect_features
from worker.features.records import Feature
from worker.judging.measured import Measured
from worker.measuring.analytic import exact_distance, face_table
from worker.measuring.deviation import measure_deviation
from worker.measuring.samples import SampleSettings, sample_nominal
from worker.records import Bools, Floats, Nominal, Region, Samples, Scan
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

SAMPLING = SampleSettings(edges_per_diagonal=45.0)  # quick: samples then lie 1 mm apart
X, Y, Z = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
NOISE_MM = 0.02


@lru_cache(maxsize=8)
def drilled(kind: str) -> Nominal:
    """A block of 60 x 40 x 40 mm about the origin with two cavities, ``one`` and ``other``; the tube is its own.

    parallel : bores of 6 and 5 mm radius along z, axes 14 mm apart: wall 3
    skew : bores along x and y, axes 13 mm apart: wall 2 at one place
    ball : a ball of 8 mm radius, its middle 10.5 mm under the top: wall 2.5
    tube : a tube of radii 20 and 15, the bore 2 mm off: wall 3
    narrow : a bore of 3.4 mm radius along x, its axis 6.5 mm under the top: wall 3.1
    slot : flats at x = -5 and 5, ``left`` and ``right``, that look at each other through air
    pocket : a box of 20 x 16 x 25 mm with its roof 5 mm under the top
    plate : a plate of 5 mm
    """
    block = box((-30, -20, -20), (60, 40, 40))
    tools = {
        "parallel": [
            Tool("one", cylinder((-7, 0, -30), Z, 6, 60)),
            Tool("other", cylinder((7, 0, -30), Z, 5, 60)),
        ],
        "skew": [
            Tool("one", cylinder((-40, 1, -6), X, 6, 80)),
            Tool("other", cylinder((3, -30, 7), Y, 5, 60)),
        ],
        "narrow": [Tool("one", cylinder((-40, 0, 13.5), X, 3.4, 80))],
        "ball": [Tool("one", sphere((2, 3, 9.5), 8))],
        "tube": [Tool("one", cylinder((2, 0, -30), Z, 15, 60))],
        "slot": [Tool("slot", box((-5, -30, 0), (10, 60, 40)))],
        "pocket": [Tool("one", box((-10, -8, -10), (20, 16, 25)))],
        "plate": [],
    }[kind]
    solid = {"tube": cylinder((0, 0, -20), Z, 20, 40), "plate": box((-30, -20, 0), (60, 40, 5))}.get(kind, block)
    return tessellated(*cut_named(solid, tools) if tools else (solid,), with_surfaces=True)


def region_by(nominal: Nominal, samples: Samples, name: str) -> Region:
    """The cavity of that name, or ``top``, ``front``, ``outside``...: the face that looks that way."""
    if name in ("top", "bottom"):
        chosen: Bools = _is_end(nominal, name, samples.points_mm)
    elif name in ("left", "right"):
        chosen = np.isclose(samples.points_mm[:, 0], -5.0 if name == "left" else 5.0) & (
            np.abs(samples.normals[:, 0]) > 0.9
        )
    elif name in ("front", "back"):
        chosen = np.isclose(samples.points_mm[:, 1], -20.0 if name == "front" else 20.0) & (
            np.abs(samples.normals[:, 1]) > 0.9
        )
    elif name == "outside":
        radius = np.linalg.norm(samples.points_mm[:, :2], axis=1)
        chosen = (radius > 19.9) & (np.abs(samples.normals[:, 2]) < 0.1)
    else:
        named = [face.index for face in nominal.faces if face.name == name]
        chosen = np.isin(samples.face, named)
    return Region(name, "core" if name in ("one", "other") else "faces", chosen)


@dataclass(frozen=True, kw_only=True)
class Fault:
    """What is out of place: motions by name of cavity (or top), and names of surfaces that were not scanned.

    growth_mm : how much larger a cavity is, all round
    """

    motions: Mapping[str, RigidTransform] = field(default_factory=dict)
    growth_mm: Mapping[str, float] = field(default_factory=dict)
    unseen: tuple[str, ...] = ()
    noise_mm: float = NOISE_MM
    seed: int = 1
    count: int = 60_000


def scan_of(nominal: Nominal, fault: Fault) -> Scan:
    """Points on the exact surface, with the cavities named in ``fault`` moved."""
    rng = np.random.default_rng(fault.seed)
    corners = nominal.vertices_mm[nominal.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1)
    chosen = rng.choice(len(area), size=fault.count, p=area / area.sum())
    points = np.einsum("ij,ijk->ik", rng.dirichlet([1.0, 1.0, 1.0], fault.count), corners[chosen])
    face = nominal.triangle_face[chosen]
    off, exact, is_exact = exact_distance(face_table(nominal.faces), face, points)
    normals = np.where(is_exact[:, None], exact, cross[chosen] / area[chosen, None])
    points = points - np.where(is_exact, off, 0.0)[:, None] * normals
    kept = np.ones(fault.count, dtype=bool)
    for name in sorted({*fault.motions, *fault.unseen}):
        named = np.isin(face, [one.index for one in nominal.faces if one.name == name])
        own = _is_end(nominal, name, points) if name in ("top", "bottom") else named
        motion = fault.motions.get(name, RigidTransform.identity())
        points[own] -= fault.growth_mm.get(name, 0.0) * normals[own]
        points[own], normals[own] = motion.apply(points[own]), motion.turn(normals[own])
        kept[own] &= name not in fault.unseen
    points += rng.normal(0.0, fault.noise_mm, (fault.count, 1)) * normals
    return Scan(points[kept], normals[kept], None, "mm", 0.0)


def _is_end(nominal: Nominal, name: str, points_mm: Floats) -> Bools:
    height = nominal.vertices_mm[:, 2]
    is_end: Bools = np.isclose(points_mm[:, 2], height.max() if name == "top" else height.min(), atol=1e-6)
    return is_end


def shifted(x: float = 0.0, y: float = 0.0, z: float = 0.0) -> RigidTransform:
    """A shift."""
    return RigidTransform(np.eye(3), np.array([x, y, z]))


def inspected(nominal: Nominal, fault: Fault, *names: str) -> Measured:
    """The piece, aligned by construction, with these regions; no walls along normals were measured."""
    samples = sampled(nominal)
    surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles)
    pose = RigidTransform.identity()
    deviation = measure_deviation(nominal, samples, scan_of(nominal, fault), pose, surface=surface)
    return Measured(
        nominal=nominal,
        samples=samples,
        alignment=perfect_alignment(),
        deviation=deviation,
        thickness=None,
        regions=tuple(region_by(nominal, samples, name) for name in names),
        quantum_mm=1e-5,
        features=_features(nominal),
    )


@lru_cache(maxsize=8)
def sampled(nominal: Nominal) -> Samples:
    """Its samples, made once."""
    return sample_nominal(nominal, settings=SAMPLING)


@lru_cache(maxsize=8)
def _features(nominal: Nominal) -> tuple[Feature, ...]:
    return detect_features(nominal)

"""The same surface as other programs would hand it over: rounded, subdivided, re-triangulated, shaken."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.support.model_files import binary_stl, source
from worker.reading import read_nominal
from worker.records import Floats, Ints, Nominal


def through_stl(nominal: Nominal, folder: Path) -> Nominal:
    """Written as a binary STL of single precision and read again."""
    path = folder / "part.stl"
    path.write_bytes(binary_stl(nominal.vertices_mm, nominal.triangles))
    return read_nominal(source(path))


def subdivided(nominal: Nominal, times: int = 1) -> Nominal:
    """Every triangle cut into four at the middles of its edges, which stay where they are."""
    vertices, triangles = nominal.vertices_mm, nominal.triangles
    for _ in range(times):
        vertices, triangles = _cut_in_four(vertices, triangles)
    face = np.repeat(nominal.triangle_face, 4**times)
    return replace(nominal, vertices_mm=vertices, triangles=triangles, triangle_face=face)


def _cut_in_four(vertices: Floats, triangles: Ints) -> tuple[Floats, Ints]:
    sides = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    edges, name = np.unique(sides, axis=0, return_inverse=True)
    ab, bc, ca = (name.reshape(3, -1) + len(vertices)).astype(np.int64)
    a, b, c = triangles.T
    four = np.stack([np.stack(item, axis=1) for item in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))], axis=1)
    return np.concatenate([vertices, vertices[edges].mean(axis=1)]), four.reshape(-1, 3)


def shaken(nominal: Nominal, sigma_mm: float, seed: int = 0) -> Nominal:
    """Every corner moved by noise."""
    noise = np.random.default_rng(seed).normal(scale=sigma_mm, size=nominal.vertices_mm.shape)
    return replace(nominal, vertices_mm=nominal.vertices_mm + noise)


def flipped_diagonals(nominal: Nominal, seed: int = 0) -> Nominal:
    """Where two triangles form a flat quadrilateral, its other diagonal, for a random half of them."""
    rng = np.random.default_rng(seed)
    triangles = nominal.triangles.copy()
    vertices = nominal.vertices_mm
    half = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    owner, apex = np.tile(np.arange(len(triangles)), 3), triangles[:, [2, 0, 1]].T.ravel()
    key = np.sort(half, axis=1) @ np.array([len(vertices), 1])
    order = np.argsort(key, kind="stable")
    pairs = np.flatnonzero((key[order][1:] == key[order][:-1]) & (rng.random(len(order) - 1) < 0.5))
    is_used = np.zeros(len(triangles), dtype=np.bool_)
    for place in pairs.tolist():
        one, other = order[place], order[place + 1]
        left, right = owner[one], owner[other]
        start, end, top, low = half[one, 0], half[one, 1], apex[one], apex[other]
        if is_used[left] or is_used[right] or nominal.triangle_face[left] != nominal.triangle_face[right]:
            continue
        fresh = np.array([[top, start, low], [top, low, end]])
        if _areas_agree(vertices, triangles[[left, right]], fresh):
            triangles[[left, right]] = fresh
            is_used[[left, right]] = True
    return replace(nominal, triangles=triangles)


def _areas_agree(vertices: Floats, old: Ints, new: Ints) -> bool:
    """Whether both pairs are flat, face one way, and cover the same ground."""
    before, after = (
        np.cross(vertices[item[:, 1]] - vertices[item[:, 0]], vertices[item[:, 2]] - vertices[item[:, 0]])
        for item in (old, new)
    )
    normal = before.sum(axis=0)
    size = float(np.linalg.norm(normal))
    if size <= 0 or bool((after @ normal <= 1e-3 * size**2).any()):
        return False
    return bool(np.linalg.norm(before / np.linalg.norm(before, axis=1)[:, None] - normal / size, axis=1).max() < 1e-6)

"""What a scanner makes of a piece: points on its skin, roughness, noise, gaps, clutter; and the file it writes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import open3d as o3d

from demo.geometry.facets import Facets
from demo.geometry.skin import Skin
from worker.records import Bools, Floats, Ints

FILE_QUANTUM_MM = 1e-4  # coordinates are rounded to this before they are stored as float32
NORMAL_NOISE = 0.03  # radian, about 2 degrees


@dataclass(frozen=True, kw_only=True)
class ScannerSettings:
    """A camera and a projector on one bar, carried round the piece."""

    view_count: int = 32
    distance_mm: float = 700.0  # usual stand-off of a bench-sized structured-light scanner; common practice, no source
    bar_angle_rad: float = 0.35  # about 20 degrees between camera and projector; common practice, no source
    steepest_rad: float = 1.2  # light that grazes by more than about 70 degrees gives no point
    lift_mm: float = 0.05  # rays start this far off the skin, clear of its facets


def is_seen(skin: Skin, facets: Facets, settings: ScannerSettings) -> Bools:
    """Which points some view sees with camera and projector both, nothing of the piece in between."""
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(_tensor(facets.vertices_mm.astype(np.float32)), _tensor(facets.triangles.astype(np.uint32)))
    middle = facets.vertices_mm.mean(axis=0)
    seen = np.zeros(len(skin.points_mm), dtype=np.bool_)
    for camera, projector in _views(settings):
        open_ = np.flatnonzero(~seen)
        for eye in (camera, projector):
            open_ = open_[_is_lit(skin, open_, middle + settings.distance_mm * eye, scene, settings)]
        seen[open_] = True
    return seen


def _tensor(values: Any) -> Any:
    return o3d.core.Tensor.from_numpy(values)


def _views(settings: ScannerSettings) -> list[tuple[Floats, Floats]]:
    """Unit directions to camera and projector: camera on a Fibonacci spiral, projector beside it."""
    index = np.arange(settings.view_count) + 0.5
    height = 1.0 - 2.0 * index / settings.view_count
    turn = np.pi * (1.0 + 5.0**0.5) * index
    flat = np.sqrt(1.0 - height**2)
    cameras = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height])
    pairs = []
    for camera in cameras:
        side = np.cross(camera, [0.0, 0.0, 1.0])
        side /= np.linalg.norm(side)
        pairs.append((camera, np.cos(settings.bar_angle_rad) * camera + np.sin(settings.bar_angle_rad) * side))
    return pairs


def _is_lit(
    skin: Skin, index: Ints, eye_mm: Floats, scene: o3d.t.geometry.RaycastingScene, settings: ScannerSettings
) -> Bools:
    points, normals = skin.points_mm[index], skin.normals[index]
    toward = eye_mm - points
    length = np.linalg.norm(toward, axis=1, keepdims=True)
    toward /= length
    lit = np.einsum("ij,ij->i", toward, normals) > np.cos(settings.steepest_rad)
    start = points[lit] + settings.lift_mm * normals[lit]
    rays = _tensor(np.concatenate([start, toward[lit]], axis=1).astype(np.float32))
    blocked = scene.test_occlusions(rays, tfar=float(length.max())).numpy()
    lit[lit] = ~blocked
    return np.asarray(lit, dtype=np.bool_)


def roughness(points_mm: Floats, rms_mm: float, length_mm: float, rng: np.random.Generator) -> Floats:
    """A smooth random height at each point, (n,) mm, with correlation exp(-r^2 / (2 length^2)).

    A sum of plane waves with normally distributed wave vectors has that correlation
    (Rahimi and Recht 2007, random Fourier features).
    """
    wave_count = 256  # height is normal to within a few percent
    waves = rng.normal(scale=1.0 / length_mm, size=(wave_count, 3))
    phases = rng.uniform(0.0, 2.0 * np.pi, size=wave_count)
    height = np.zeros(len(points_mm))
    x, y, z = points_mm.T
    for (a, b, c), phase in zip(waves, phases, strict=True):
        height += np.cos(a * x + b * y + c * z + phase)
    return np.asarray(rms_mm * (2.0 / wave_count) ** 0.5 * height, dtype=np.float64)


def noisy(skin: Skin, offset_mm: Floats, rng: np.random.Generator) -> Skin:
    """The points moved along their normals by ``offset_mm`` (n,), and the normals turned a little."""
    normals = skin.normals + rng.normal(scale=NORMAL_NOISE, size=skin.normals.shape)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return Skin(skin.points_mm + offset_mm[:, None] * skin.normals, normals, skin.face)


def write_cloud(path: Path, points_mm: Floats, normals: Floats) -> None:
    """Binary PLY cloud with normals, float32, in the order given."""
    rows = np.concatenate([np.round(points_mm / FILE_QUANTUM_MM) * FILE_QUANTUM_MM, np.round(normals, 5)], axis=1)
    names = "".join(f"property float {name}\n" for name in ("x", "y", "z", "nx", "ny", "nz"))
    header = (
        "ply\nformat binary_little_endian 1.0\ncomment invented demonstration scan, mm\n"
        f"element vertex {len(rows)}\n{names}end_header\n"
    )
    path.write_bytes(header.encode("ascii") + rows.astype("<f4").tobytes())

"""A small piece for real jobs: a bracket as binary STL in mm, and scans of it in any pose."""

from __future__ import annotations

from functools import cache

import numpy as np

from tests.support.parts import bracket
from tests.support.scanning import ScanRecipe, random_pose, simulate_scan

TRIANGLE = np.dtype([("normal", "<3f4"), ("corners", "<9f4"), ("attribute", "<u2")])
POINT_COUNT = 2_000


def scan_xyz(seed: int) -> bytes:
    """Points with normals, another pose and other noise for every seed."""
    rng = np.random.default_rng(seed)
    points_mm, normals = simulate_scan(bracket(), ScanRecipe(point_count=POINT_COUNT), pose=random_pose(rng), rng=rng)
    lines = (" ".join(f"{value:.5f}" for value in row) for row in np.hstack([points_mm, normals]))
    return "\n".join(lines).encode()


@cache
def nominal_stl() -> bytes:
    """The bracket."""
    part = bracket()
    triangles = np.zeros(len(part.triangles), TRIANGLE)
    triangles["corners"] = part.vertices_mm[part.triangles].reshape(-1, 9)
    return b"invented".ljust(80) + np.uint32(len(triangles)).tobytes() + triangles.tobytes()

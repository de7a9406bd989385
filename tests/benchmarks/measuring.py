"""Deviation and walls beside the bare kernel calls: ``python -m tests.benchmarks.measuring [MILLION_POINTS]``.

A fine mesh (about 700 000 triangles) and half a million scan points, then peak memory on many points.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable

import numpy as np
import open3d as o3d

from tests.support.shapes import scan_of, tube
from worker.measuring.deviation import measure_deviation
from worker.measuring.samples import sample_nominal
from worker.measuring.thickness import measure_thickness
from worker.records import Nominal, Scan
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

REPEATS = 3


def best(run: Callable[[], object]) -> float:
    """Least wall time of a few runs: the machine is shared."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def fine_tube() -> Nominal:
    """A ring of about 700 000 triangles, its ends closed by narrow walls."""
    return tube(40.0, 38.5, 70.0, offset_mm=0.5, segments=800)


def bare_scene(nominal: Nominal) -> o3d.t.geometry.RaycastingScene:
    """The kernel as anyone would call it."""
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(
        o3d.core.Tensor.from_numpy(nominal.vertices_mm.astype(np.float32)),
        o3d.core.Tensor.from_numpy(nominal.triangles.astype(np.uint32)),
    )
    return scene


def main() -> None:
    """Print the tables."""
    nominal = fine_tube()
    scan = scan_of(nominal, 500_000, 1, noise_mm=0.02)
    query = o3d.core.Tensor.from_numpy(scan.points_mm.astype(np.float32))
    scene = bare_scene(nominal)
    bare = best(lambda: scene.compute_closest_points(query))
    surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles)
    samples = sample_nominal(nominal)
    pose = RigidTransform.identity()
    found = measure_deviation(nominal, samples, scan, pose, surface=surface)
    rows = [
        ("bare closest points", bare),
        ("surface closest", best(lambda: surface.closest(scan.points_mm))),
        ("surface signed", best(lambda: surface.signed(scan.points_mm))),
        ("deviation", best(lambda: measure_deviation(nominal, samples, scan, pose, surface=surface))),
        ("samples", best(lambda: sample_nominal(nominal))),
        ("walls, ray and sphere", best(lambda: measure_thickness(samples, surface, found, spot_limit_mm=None))),
    ]
    print(f"{len(nominal.triangles)} triangles, {len(scan.points_mm)} points, {len(samples.points_mm)} samples")
    for name, seconds in rows:
        print(f"{name:<24}{seconds:8.2f} s {seconds / bare:8.2f} x bare")
    if len(sys.argv) > 1:
        many(nominal, int(float(sys.argv[1]) * 1e6), surface)


def many(nominal: Nominal, count: int, surface: SurfaceQuery) -> None:
    """Peak memory on a large cloud, made in place so that the making is not the peak."""
    points, normals = np.empty((count, 3)), np.empty((count, 3))
    for start in range(0, count, 1_000_000):
        part = scan_of(nominal, min(1_000_000, count - start), start)
        points[start : start + 1_000_000] = part.points_mm
        if part.normals is not None:
            normals[start : start + 1_000_000] = part.normals
    start_s = time.perf_counter()
    scan = Scan(points, normals, None, "mm", 0.0)
    measure_deviation(nominal, sample_nominal(nominal), scan, RigidTransform.identity(), surface=surface)
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e9
    print(f"{count} points: {time.perf_counter() - start_s:.1f} s, peak {peak_gb:.2f} GB")


if __name__ == "__main__":
    main()

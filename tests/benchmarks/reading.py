"""How long reading takes, its child process included, beside a plain script with the usual library.

python -m tests.benchmarks.reading            meshes, clouds, STEP
python -m tests.benchmarks.reading --large    also 20 million points
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from shared.units import LengthUnit
from tests.support.model_files import binary_stl, ply
from worker.reading import Source, read_nominal, read_pair, read_scan
from worker.reading.parsed import Floats, Ints
from worker.records import Nominal

CORES = Path(__file__).parents[2] / "demo" / "data" / "cores"
STEP_MM = 0.0045  # what intake_1's size gives

TRIMESH = "import sys, trimesh; trimesh.load(sys.argv[1])"
OPEN3D_MESH = "import sys, open3d; open3d.io.read_triangle_mesh(sys.argv[1])"
OPEN3D_CLOUD = "import sys, open3d; open3d.io.read_point_cloud(sys.argv[1])"
CASCADIO = (
    "import sys, cascadio; cascadio.step_to_glb(sys.argv[1], sys.argv[1] + '.glb', "
    f"tol_linear={STEP_MM}, tol_angular=0.1, include_brep=True)"
)


def torus(count: int) -> tuple[Floats, Ints]:
    """A closed torus of about ``count`` triangles."""
    steps = int(np.sqrt(count / 2))
    angles = np.linspace(0, 2 * np.pi, steps, endpoint=False)
    u, v = np.meshgrid(angles, angles, indexing="ij")
    ring = 100.0 + 30.0 * np.cos(v)
    points = np.stack([ring * np.cos(u), ring * np.sin(u), 30.0 * np.sin(v)], axis=-1).reshape(-1, 3)
    index = np.arange(steps * steps).reshape(steps, steps)
    b = np.roll(index, -1, axis=0)
    c, d = np.roll(b, -1, axis=1), np.roll(index, -1, axis=1)
    halves = [np.stack([index, b, c], -1).reshape(-1, 3), np.stack([index, c, d], -1).reshape(-1, 3)]
    return points, np.concatenate(halves)


def cloud(count: int) -> Floats:
    return np.random.default_rng(0).normal(size=(count, 3)) * 50.0


def source(path: Path) -> Source:
    return Source(path, path.name, LengthUnit.MILLIMETRE)


def best_of(run: Callable[[], object], count: int = 3) -> float:
    times = []
    for _ in range(count):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def plain(script: str, path: Path) -> float:
    return best_of(lambda: subprocess.run([sys.executable, "-c", script, str(path)], check=True, capture_output=True))


def line(what: str, ours_s: float, other: str, other_s: float) -> None:
    print(f"{what:38} {ours_s:7.2f} s   {other:24} {other_s:7.2f} s   ratio {ours_s / other_s:5.2f}")


def meshes_and_clouds(folder: Path) -> None:
    points, triangles = torus(700_000)
    paths = {"nominal.stl": binary_stl(points, triangles), "nominal.ply": ply(points, triangles)}
    paths["scan.ply"] = ply(cloud(500_000))
    for name, content in paths.items():
        (folder / name).write_bytes(content)
    np.savetxt(folder / "scan.xyz", cloud(500_000), fmt="%.5f")
    for name in ("nominal.stl", "nominal.ply"):
        ours_s = best_of(lambda name=name: read_nominal(source(folder / name)))  # type: ignore[misc]
        line(f"700,000 triangles, {name}", ours_s, "trimesh, import and load", plain(TRIMESH, folder / name))
        line(f"700,000 triangles, {name}", ours_s, "Open3D, import and load", plain(OPEN3D_MESH, folder / name))
    for name in ("scan.ply", "scan.xyz"):
        ours_s = best_of(lambda name=name: read_scan(source(folder / name)))  # type: ignore[misc]
        line(f"500,000 points, {name}", ours_s, "Open3D, import and load", plain(OPEN3D_CLOUD, folder / name))
    both_s = best_of(lambda: read_pair(source(folder / "nominal.stl"), source(folder / "scan.ply")))
    print(f"{'nominal.stl and scan.ply at once':38} {both_s:7.2f} s")


def step(folder: Path) -> None:
    path = folder / "intake_1.step"
    path.write_bytes((CORES / path.name).read_bytes())
    read: list[Nominal] = []
    ours_s = best_of(lambda: read.append(read_nominal(source(path))))
    line("B-spline port core, 0.0045 mm, STEP", ours_s, "cascadio, include_brep", plain(CASCADIO, path))
    print(f"    {len(read[0].triangles)} triangles, {len(read[0].faces)} faces, {read[0].chord_tolerance_mm:.4f} mm")


def large(folder: Path) -> None:
    (folder / "large.ply").write_bytes(ply(cloud(20_000_000)))
    seconds = best_of(lambda: read_scan(source(folder / "large.ply")), count=1)
    peak_mib = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"{'20,000,000 points, PLY':38} {seconds:7.2f} s   peak of the child {peak_mib:.0f} MiB")


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        meshes_and_clouds(Path(name))
        step(Path(name))
        if "--large" in sys.argv:
            large(Path(name))


if __name__ == "__main__":
    main()

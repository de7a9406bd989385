"""The whole inspection beside a plain Open3D and trimesh script, on the same input, in one process tree.

    .venv/bin/python -m tests.benchmarks.speed [--triangles 700000] [--points 500000] [--skip-every-vertex]

Whole processes are timed from outside, start-up and report included; stage times are what each
process says of itself.  Peak memory is the largest of a process tree, as the kernel counts it.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import trimesh

from tests.support.parts import head_block
from tests.support.scanning import ScanRecipe, random_pose, simulate_scan
from worker.records import Floats
from worker.surface import SurfaceQuery

ROOT = Path(__file__).resolve().parents[2]
SEED = 11
PLAIN_SAMPLES = 20_000
STAGES = ("read", "align", "deviation", "thickness", "rest")
PLAIN_ALIGN = ("orient", "icp")  # what the plain script times apart


@dataclass(frozen=True)
class Inputs:
    """Files both sides read."""

    nominal: Path
    scan: Path


@dataclass(frozen=True)
class Timed:
    """One process tree, timed from outside; ``stages_s`` is its own account."""

    total_s: float
    peak_bytes: int
    stages_s: dict[str, float]


def make_inputs(folder: Path, triangle_count: int, point_count: int) -> Inputs:
    """A head with one displaced port core as a dense mesh, and a scan of it in a random pose, as PLY files."""
    rng = np.random.default_rng(SEED)
    head = head_block()
    mesh = trimesh.Trimesh(head.vertices_mm, head.triangles, process=False)
    while len(mesh.faces) < triangle_count:  # halve the longest edges until there are enough
        edge_mm = 0.9 * float(mesh.edges_unique_length.max())
        vertices, triangles = trimesh.remesh.subdivide_to_size(mesh.vertices, mesh.faces, edge_mm, max_iter=20)
        mesh = trimesh.Trimesh(vertices, triangles, process=True)
    nominal = folder / "nominal.ply"
    mesh.export(nominal, encoding="binary")
    displaced = head_block(core_shift_mm=(0.3, 0.2, -0.25))
    points, normals = simulate_scan(displaced, ScanRecipe(point_count=point_count), pose=random_pose(rng), rng=rng)
    scan = folder / "scan.ply"
    write_cloud(scan, points, normals)
    return Inputs(nominal, scan)


def write_cloud(path: Path, points: Floats, normals: Floats) -> None:
    """Binary little-endian PLY with normals, float32."""
    names = ("x", "y", "z", "nx", "ny", "nz")
    header = ["ply", "format binary_little_endian 1.0", f"element vertex {len(points)}"]
    header += [f"property float {name}" for name in names] + ["end_header", ""]
    path.write_bytes("\n".join(header).encode() + np.hstack([points, normals]).astype("<f4").tobytes())


def run_timed(command: list[str]) -> Timed:
    """Run a command, its children counted with it.

    The kernel's account of reaped children is the largest single process; a reader child and the
    pipeline do not peak together, so that is the figure of the tree to within the smaller one.
    """
    since = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE)
    output, _ = process.communicate()
    total_s = time.perf_counter() - since
    if process.returncode not in {0, 1}:
        raise SystemExit(f"{command} ended with {process.returncode}")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024
    return Timed(total_s, peak, json.loads(output.splitlines()[-1]) if output.strip() else {})


def run_ours(inputs: Inputs, out: Path) -> Timed:
    """``firstpour inspect``, as a user runs it; stage times and peak memory from its report."""
    command = [sys.executable, "-m", "worker.command.main", "inspect", str(inputs.nominal), str(inputs.scan)]
    since = time.perf_counter()
    ended = subprocess.run([*command, "--unit", "mm", "--out", str(out)], cwd=ROOT, check=False, capture_output=True)
    total_s = time.perf_counter() - since
    if ended.returncode == 2:
        raise SystemExit(ended.stderr.decode())
    run = json.loads((out / "report.json").read_text())["run"]
    return Timed(total_s, run["peak_memory_bytes"], run["timings_s"])


def bare_kernel_s(inputs: Inputs) -> dict[str, float]:
    """The library's own closest-point and ray calls on the same queries, in float32 as it takes them, and ours."""
    import open3d as o3d  # noqa: PLC0415 - only this function needs it

    mesh = trimesh.load_mesh(inputs.nominal)
    points = np.asarray(mesh.vertices)[:500_000]
    centre = points.mean(axis=0)
    scene = o3d.t.geometry.RaycastingScene()
    tensor = o3d.core.Tensor.from_numpy
    vertices = np.asarray(mesh.vertices - centre).astype(np.float32)
    scene.add_triangles(tensor(vertices), tensor(np.asarray(mesh.faces).astype(np.uint32)))
    ours = SurfaceQuery(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    queries_mm, origins_mm = points + 0.05, points - 0.05
    directions = -np.asarray(mesh.vertex_normals)[: len(points)]

    def bare_closest() -> object:
        return scene.compute_closest_points(tensor((queries_mm - centre).astype(np.float32)))

    def bare_rays() -> object:
        return scene.cast_rays(tensor(np.hstack([origins_mm - centre, directions]).astype(np.float32)))

    bare_closest()
    ours.closest(queries_mm[:10])
    return {
        "closest, bare": best_of(bare_closest),
        "closest, float64-exact": best_of(lambda: ours.closest(queries_mm)),
        "rays, bare": best_of(bare_rays),
        "rays, float64-exact": best_of(lambda: ours.cast(origins_mm, directions)),
    }


def best_of(call: Callable[[], object], repeats: int = 5) -> float:
    """Least time of a few calls: the machine is noisy upward only."""
    times = []
    for _ in range(repeats):
        since = time.perf_counter()
        call()
        times.append(time.perf_counter() - since)
    return min(times)


def by_stage(timed: Timed) -> dict[str, float]:
    """The same five stages for both; rest is start-up, judging, pictures and writing."""
    own = timed.stages_s
    stages = {name: own[name] for name in STAGES if name in own}
    stages.setdefault("align", sum(own.get(name, 0.0) for name in PLAIN_ALIGN))
    return stages | {"rest": timed.total_s - sum(stages.values()), "total": timed.total_s}


def print_table(ours: Timed, plain: dict[str, Timed]) -> None:
    """Stage by stage, and how many times longer the plain script took."""
    print(f"\n{'stage':<16}{'ours s':>10}" + "".join(f"{name:>28}" for name in plain))
    own = by_stage(ours)
    for stage in (*STAGES, "total"):
        row = f"{stage:<16}{own[stage]:>10.2f}"
        for timed in plain.values():
            other = by_stage(timed)[stage]
            row += f"{f'{other:.2f} ({other / own[stage]:.1f} x)':>28}"
        print(row)
    print(f"{'peak MiB':<16}{ours.peak_bytes / 2**20:>10.0f}", end="")
    print("".join(f"{timed.peak_bytes / 2**20:>28.0f}" for timed in plain.values()))


def main() -> None:
    """Make the input, run the three, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--triangles", type=int, default=700_000)
    parser.add_argument("--points", type=int, default=500_000)
    parser.add_argument("--skip-every-vertex", action="store_true", help="leave out the plain script's longest run")
    parser.add_argument("--ours-only", action="store_true", help="no plain script: for scans it could not hold")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        inputs = make_inputs(folder, arguments.triangles, arguments.points)
        print(
            f"{os.cpu_count()} cores; nominal {inputs.nominal.stat().st_size >> 20} MiB, scan {arguments.points} points"
        )
        ours = run_ours(inputs, folder / "ours")
        if arguments.ours_only:
            print_table(ours, {})
            return
        script = [sys.executable, str(ROOT / "tests/benchmarks/plain.py"), str(inputs.nominal), str(inputs.scan)]
        plain = {
            f"plain, {PLAIN_SAMPLES} walls": run_timed(
                [*script, str(folder / "plain"), "--thickness-samples", str(PLAIN_SAMPLES)]
            )
        }
        if not arguments.skip_every_vertex:
            plain["plain, every vertex"] = run_timed([*script, str(folder / "plain-all")])
        print_table(ours, plain)
        print("\nquery stages, 500k queries on the nominal:")
        for name, seconds in bare_kernel_s(inputs).items():
            print(f"  {name:<26}{seconds:>8.2f} s")


if __name__ == "__main__":
    main()

"""How far from the truth does the pose end, and what does a plain ICP make of the same scan?

    .venv/bin/python -m tests.benchmarks.alignment [--poses N] [--points N] [--large]

A cylinder-head-like block (160 x 140 x 90 mm) with one core displaced by 0.3 to 0.6 mm and 0.02 mm noise, in random
poses.  Both methods start from the same coarse pose, 1.5 degrees and 2 mm off.  The plain ICP is what a script would
run: Open3D, point to plane, the scan's own points against 200 000 samples of nominal, three distances down to 1 mm.
The judged figure is the error at the part's centre; 0.001 mm is the limit.

``--large`` adds the times on a nominal of about 700 000 triangles and a scan of 500 000 points, beside the time of
one bare closest-point query of the scan: the machine may be shared, a ratio is fairer.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import open3d

from tests.support.alignments import HEAD_CENTRE_MM, Stand, error_mm, head_stand, nudged, scanned, stand
from tests.support.parts import Shift, head_block
from tests.support.scanning import ScanRecipe
from worker.aligning.clouds import nominal_cloud
from worker.measuring.refine import refine
from worker.records import AlignmentStatus, Scan
from worker.rigid import RigidTransform

CENTRE_LIMIT_MM = 0.001
REACHES_MM = (8.0, 3.0, 1.0)
LARGE_EDGE_MM = 1.45  # cuts the head into about 700 000 triangles


@dataclass(frozen=True)
class Case:
    """One kind of fault and view."""

    name: str
    shift_mm: Shift
    core: str
    recipe: ScanRecipe


def cases(point_count: int) -> list[Case]:
    """What is shown."""
    plain = ScanRecipe(point_count=point_count)
    return [
        Case("no fault", (0.0, 0.0, 0.0), "intake_1", plain),
        Case("intake core 0.30", (0.3, 0.0, 0.0), "intake_1", plain),
        Case("intake core 0.47", (0.47, 0.0, 0.0), "intake_1", plain),
        Case("exhaust core 0.60", (0.0, 0.6, 0.0), "exhaust_1", plain),
        Case("jacket core 0.30", (0.3, 0.0, 0.0), "jacket", plain),
        Case("jacket core 0.47", (0.35, 0.25, 0.19), "jacket", plain),
        Case("jacket core 0.60", (0.6, 0.0, 0.0), "jacket", plain),
        Case(
            "intake 0.47, 35 % missing, table",
            (0.47, 0.0, 0.0),
            "intake_1",
            replace(plain, missing_share=0.35, has_fixture=True),
        ),
    ]


def plain_icp(scan: Scan, bench: Stand, start: RigidTransform) -> RigidTransform:
    """Point-to-plane ICP as a script would run it."""
    samples = nominal_cloud(bench.nominal, sample_count=200_000)
    target, source = open3d.geometry.PointCloud(), open3d.geometry.PointCloud()
    target.points = open3d.utility.Vector3dVector(samples.points_mm)
    target.normals = open3d.utility.Vector3dVector(np.asarray(samples.normals))
    source.points = open3d.utility.Vector3dVector(scan.points_mm.copy())
    matrix = start.matrix()
    for reach in REACHES_MM:
        method = open3d.pipelines.registration.TransformationEstimationPointToPlane()
        matrix = open3d.pipelines.registration.registration_icp(source, target, reach, matrix, method).transformation
    return RigidTransform.from_matrix(np.array(matrix))


def displaced_share(case: Case) -> float:
    """Share of the piece's area that the displaced core made."""
    if not any(case.shift_mm):
        return 0.0
    faces = head_block(case.shift_mm, case.core).faces
    return sum(face.area_mm2 for face in faces if face.name == case.core) / sum(face.area_mm2 for face in faces)


def run_case(case: Case, pose_count: int) -> bool:
    """Print one row; whether every pose kept the limit."""
    bench, ours, icp, ours_s, icp_s = head_stand(), [], [], 0.0, 0.0
    for seed in range(pose_count):
        scan, true = scanned(head_block(case.shift_mm, case.core), case.recipe, seed=seed)
        start = nudged(true, np.random.default_rng(1000 + seed))
        began = time.perf_counter()
        found = bench.align(scan, start)
        ours_s += time.perf_counter() - began
        began = time.perf_counter()
        plain = plain_icp(scan, bench, start)
        icp_s += time.perf_counter() - began
        is_found = found.status is AlignmentStatus.ALIGNED
        ours.append(error_mm(found.T_nominal_scan, true, HEAD_CENTRE_MM) if is_found else np.inf)
        icp.append(error_mm(plain, true, HEAD_CENTRE_MM))
    print(
        f"{case.name:34s}{displaced_share(case):7.1%}"
        f"{np.mean(ours):10.5f}{max(ours):10.5f}{ours_s / pose_count:8.2f}"
        f"{np.mean(icp):12.5f}{max(icp):10.5f}{icp_s / pose_count:8.2f}",
        flush=True,
    )
    return max(ours) <= CENTRE_LIMIT_MM


def accuracy(all_cases: Iterable[Case], pose_count: int) -> None:
    """The table of errors at the part's centre."""
    print(f"{'':41s}{'this alignment':^28s}{'plain ICP':^30s}")
    print(
        f"{'error at the centre, mm':34s}{'share':>7s}{'mean':>10s}{'worst':>10s}{'s':>8s}{'mean':>12s}{'worst':>10s}"
        f"{'s':>8s}"
    )
    kept = [run_case(case, pose_count) for case in all_cases]
    print(f"\nwithin {CENTRE_LIMIT_MM} mm at the centre: {sum(kept)} of {len(kept)} cases, {pose_count} poses each")


def large() -> None:
    """Times at full size, ICP and refinement apart from orientation."""
    head = head_block()
    fine = refine(head.vertices_mm, head.triangles, LARGE_EDGE_MM, head.triangle_face)
    big = replace(
        head, vertices_mm=fine.vertices_mm, triangles=fine.triangles, triangle_face=head.triangle_face[fine.source]
    )
    bench = stand(big)
    scan, true = scanned(head_block((0.47, 0.0, 0.0)), ScanRecipe(point_count=500_000), seed=0)
    start = nudged(true, np.random.default_rng(1000))
    placed = true.apply(scan.points_mm)
    print(f"\nnominal {len(big.triangles)} triangles, scan {len(placed)} points")
    bench.surface.signed(placed[:1000])  # neighbours are worked out once for all stages
    for name, job in (
        ("bare closest-point query of all points", lambda: bench.surface.closest(placed)),
        ("ICP and refinement", lambda: bench.align(scan, start)),
        ("orientation, ICP and refinement", lambda: bench.align(scan, None)),
        ("plain ICP", lambda: plain_icp(scan, bench, start)),
    ):
        began, began_cpu = time.perf_counter(), time.process_time()
        job()
        print(f"{name:44s}{time.perf_counter() - began:8.2f} s{time.process_time() - began_cpu:8.2f} s of processor")


def main() -> None:
    """Run what was asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--poses", type=int, default=5)
    parser.add_argument("--points", type=int, default=200_000)
    parser.add_argument("--large", action="store_true")
    arguments = parser.parse_args()
    accuracy(cases(arguments.points), arguments.poses)
    if arguments.large:
        large()


if __name__ == "__main__":
    main()

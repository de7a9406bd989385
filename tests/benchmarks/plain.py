"""The same inspection as a plain script with Open3D and trimesh: the yardstick of ``speed.py``.

What an engineer who knows both libraries writes in an afternoon, with no trick left out on
purpose: features and RANSAC, point-to-plane ICP, signed distances by the ray scene, thickness by
trimesh, a JSON file and a picture.  It prints its stage times as JSON.

    python tests/benchmarks/plain.py NOMINAL SCAN OUT [--thickness-samples N]
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

STARTED = time.perf_counter()

import matplotlib as mpl  # noqa: E402 - the imports are part of what is timed
import numpy as np  # noqa: E402
import open3d as o3d  # noqa: E402
import trimesh  # noqa: E402

mpl.use("Agg")
import matplotlib.pyplot as plt  # noqa: E402

BATCH = 20_000
VOXEL_SHARE = 0.02  # of the diagonal, the library's tutorial ratio for a single part
timings: dict[str, float] = {"start": time.perf_counter() - STARTED}


def timed(stage: str, since: float) -> None:
    """Note how long a stage took."""
    timings[stage] = time.perf_counter() - since


def features_of(cloud: Any, voxel_mm: float) -> tuple[Any, Any]:
    """Thinned cloud and its fast point feature histograms, radii as in the library's tutorial."""
    thinned = cloud.voxel_down_sample(voxel_mm)
    if not thinned.has_normals():
        thinned.estimate_normals(o3d.geometry.KDTreeSearchParamHybrid(radius=2 * voxel_mm, max_nn=30))
    search = o3d.geometry.KDTreeSearchParamHybrid(radius=5 * voxel_mm, max_nn=100)
    return thinned, o3d.pipelines.registration.compute_fpfh_feature(thinned, search)  # type: ignore[call-arg]  # its stub is wrong


def align(nominal: Any, cloud: Any) -> Any:
    """RANSAC on features, then point-to-plane ICP on everything."""
    registration = o3d.pipelines.registration
    since = time.perf_counter()
    sampled = nominal.sample_points_uniformly(200_000, use_triangle_normal=True)
    voxel_mm = VOXEL_SHARE * float(np.linalg.norm(nominal.get_max_bound() - nominal.get_min_bound()))
    source, source_features = features_of(cloud, voxel_mm)
    target, target_features = features_of(sampled, voxel_mm)
    coarse = registration.registration_ransac_based_on_feature_matching(
        source,
        target,
        source_features,
        target_features,
        True,
        1.5 * voxel_mm,
        registration.TransformationEstimationPointToPoint(False),
        3,
        [
            registration.CorrespondenceCheckerBasedOnEdgeLength(0.9),
            registration.CorrespondenceCheckerBasedOnDistance(1.5 * voxel_mm),
        ],
        registration.RANSACConvergenceCriteria(100_000, 0.999),
    )
    timed("orient", since)
    since = time.perf_counter()
    fine = registration.registration_icp(
        cloud,
        sampled,
        0.4 * voxel_mm,
        coarse.transformation,
        registration.TransformationEstimationPointToPlane(),
    )
    timed("icp", since)
    return fine.transformation


def deviation_of(nominal: Any, points_mm: Any) -> Any:
    """Signed distance of every scan point to nominal."""
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(o3d.t.geometry.TriangleMesh.from_legacy(nominal))
    return scene.compute_signed_distance(o3d.core.Tensor.from_numpy(points_mm.astype(np.float32))).numpy()


def thickness_of(nominal_path: Path, sample_count: int | None) -> Any:
    """Inscribed-sphere wall at every vertex, or at ``sample_count`` of them."""
    mesh = trimesh.load_mesh(nominal_path)
    chosen = np.arange(len(mesh.vertices))
    if sample_count is not None:
        chosen = np.random.default_rng(0).choice(chosen, sample_count, replace=False)
    batches = np.array_split(chosen, max(1, len(chosen) // BATCH))  # all at once outgrows the memory
    return np.concatenate(
        [
            trimesh.proximity.thickness(mesh, mesh.vertices[b], normals=mesh.vertex_normals[b], method="max_sphere")
            for b in batches
        ]
    )


def main() -> None:
    """Run the script and print its stage times."""
    parser = argparse.ArgumentParser()
    parser.add_argument("nominal", type=Path)
    parser.add_argument("scan", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--thickness-samples", type=int)
    arguments = parser.parse_args()
    since = time.perf_counter()
    nominal = o3d.io.read_triangle_mesh(arguments.nominal)
    nominal.compute_triangle_normals()
    cloud = o3d.io.read_point_cloud(arguments.scan)
    timed("read", since)
    cloud.transform(align(nominal, cloud))
    since = time.perf_counter()
    deviation_mm = deviation_of(nominal, np.asarray(cloud.points))
    timed("deviation", since)
    since = time.perf_counter()
    thickness_mm = thickness_of(arguments.nominal, arguments.thickness_samples)
    timed("thickness", since)
    since = time.perf_counter()
    write_report(arguments.out, deviation_mm, thickness_mm)
    timed("report", since)
    timings["total"] = time.perf_counter() - STARTED
    print(json.dumps(timings))


def write_report(out: Path, deviation_mm: Any, thickness_mm: Any) -> None:
    """Percentiles as JSON, two histograms as a picture."""
    out.mkdir(parents=True, exist_ok=True)
    shares = [1, 5, 25, 50, 75, 95, 99]
    figures = {
        "deviation_mm": np.percentile(deviation_mm, shares).tolist(),
        "thickness_mm": np.nanpercentile(thickness_mm, shares).tolist(),
    }
    (out / "plain.json").write_text(json.dumps(figures))
    figure, axes = plt.subplots(1, 2)
    axes[0].hist(np.clip(deviation_mm, -2, 2), 100)
    axes[1].hist(np.clip(thickness_mm[np.isfinite(thickness_mm)], 0, 50), 100)
    figure.savefig(out / "plain.png")


if __name__ == "__main__":
    main()

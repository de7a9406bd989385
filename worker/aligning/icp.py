"""Open3D's point-to-plane ICP, from coarse to fine: it brings the scan near; the refinement finishes.

This is the only place where alignment touches Open3D.  Everything is float64 and centred, the
normals come from the nominal, and one thread keeps the result equal bit for bit.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from worker.records import Floats
from worker.rigid import RigidTransform


@dataclass(frozen=True, kw_only=True)
class IcpSettings:
    """How far ICP looks for partners, and how long."""

    reach_shares: tuple[float, ...] = (0.04, 0.02, 0.01, 0.005)
    # of the diagonal: the coarse pose is within 2 degrees and 1 % of size, 3 % at the far corners
    least_reach_gaps: float = 3.0  # nearest-neighbour gaps of the samples: with less reach most points find no partner
    iteration_limit: int = 30  # a step of the schedule; the next step goes on where it stopped
    stray_share: float = 0.1  # of the diagonal: on a bare plane the equations have no one solution, and ICP runs away
    relative_change: float = 1e-7  # far below what the refinement, which has the last word, will move


@dataclass(frozen=True, eq=False)
class IcpResult:
    """Where ICP ended.

    T_nominal_scan : nominal and scan frames as handed in
    pair_count : pairs in the last step; 0 means that nothing was within reach and the pose is the start
    """

    T_nominal_scan: RigidTransform
    pair_count: int


def run_icp(
    points_scan: Floats,
    nominal_mm: Floats,
    nominal_normals: Floats,
    start: RigidTransform,
    settings: IcpSettings | None = None,
) -> IcpResult:
    """Point-to-plane ICP of scan points against samples of nominal.

    points_scan : (n, 3) float64, mm, scan frame
    nominal_mm, nominal_normals : (m, 3) float64, mm and unit, nominal frame
    start : ``T_nominal_scan`` to begin from

    Objective of each step: sum over pairs closer than the reach of (normal . gap)^2, no weights.
    """
    settings = settings or IcpSettings()
    centre_nominal, centre_scan = nominal_mm.mean(axis=0), points_scan.mean(axis=0)
    begun = RigidTransform(start.rotation, start.apply(centre_scan) - centre_nominal)
    clouds = _cloud(points_scan - centre_scan), _cloud(nominal_mm - centre_nominal, nominal_normals)
    pose, pair_count = begun, 0
    with _one_thread():
        for reach_mm in _reaches_mm(nominal_mm, settings):
            moved, pair_count = _icp(clouds, pose, reach_mm, settings)
            if pair_count and _is_near(moved, begun.matrix(), nominal_mm - centre_nominal, settings):
                pose = RigidTransform.from_matrix(moved)
    shift = pose.translation_mm + centre_nominal - pose.rotation @ centre_scan
    return IcpResult(RigidTransform(pose.rotation, shift), pair_count)


def _reaches_mm(nominal_mm: Floats, settings: IcpSettings) -> list[float]:
    """From far to near, but never under what the samples' own spacing calls for."""
    diagonal = float(np.linalg.norm(np.ptp(nominal_mm, axis=0)))
    gaps = np.asarray(cKDTree(nominal_mm).query(nominal_mm, k=[2], workers=1)[0])
    least = settings.least_reach_gaps * float(np.median(gaps))
    return [max(share * diagonal, least) for share in settings.reach_shares]


def _icp(clouds: tuple[Any, Any], pose: RigidTransform, reach_mm: float, settings: IcpSettings) -> tuple[Floats, int]:
    """One step of the schedule: the matrix it ended with, and how many pairs it had."""
    import open3d  # noqa: PLC0415  heavy and native: loaded only in the process that measures

    registration = open3d.pipelines.registration
    criteria = registration.ICPConvergenceCriteria(
        relative_fitness=settings.relative_change,
        relative_rmse=settings.relative_change,
        max_iteration=settings.iteration_limit,
    )
    method = registration.TransformationEstimationPointToPlane()
    result = registration.registration_icp(*clouds, reach_mm, pose.matrix(), method, criteria)
    return np.array(result.transformation, dtype=np.float64), len(result.correspondence_set)


def _is_near(moved: Floats, begun: Floats, nominal_mm: Floats, settings: IcpSettings) -> bool:
    """Whether a pose is finite and within reach of the start, over the whole part (centred)."""
    if not np.isfinite(moved).all():
        return False
    motion = moved @ np.linalg.inv(begun)
    corners = np.array(list(product(*zip(nominal_mm.min(axis=0), nominal_mm.max(axis=0), strict=True))))
    shift = np.linalg.norm(corners @ motion[:3, :3].T + motion[:3, 3] - corners, axis=1).max()
    return bool(shift < settings.stray_share * np.linalg.norm(np.ptp(nominal_mm, axis=0)))


def _cloud(points_mm: Floats, normals: Floats | None = None) -> Any:
    import open3d  # noqa: PLC0415  heavy and native: loaded only in the process that measures

    cloud = open3d.geometry.PointCloud()
    cloud.points = open3d.utility.Vector3dVector(np.ascontiguousarray(points_mm))
    if normals is not None:
        cloud.normals = open3d.utility.Vector3dVector(np.ascontiguousarray(normals))
    return cloud


@contextmanager
def _one_thread() -> Iterator[None]:
    """Open3D sums pairs in whatever order its threads finish; alone it sums in one order."""
    import open3d  # noqa: PLC0415  heavy and native: loaded only in the process that measures

    before = open3d.utility.get_max_threads()
    open3d.utility.set_max_threads(1)
    try:
        yield
    finally:
        open3d.utility.set_max_threads(before)

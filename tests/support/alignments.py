"""What tests of alignment share: parts ready to align on, coarse poses, and errors in the part's own terms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tests.support.parts import HEAD_SIZE_MM, head_block
from tests.support.scanning import ScanRecipe, random_pose, simulate_scan
from worker.aligning.align import AlignSettings, align
from worker.measuring.samples import sample_nominal
from worker.records import Alignment, AlignmentStatus, Bools, Floats, Nominal, Orientation, Samples, Scan
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

HEAD_CENTRE_MM = np.array(HEAD_SIZE_MM) / 2
QUICK = AlignSettings(coarse_count=4_000, target_count=15_000, fine_count=20_000)  # where micrometres do not matter
Keep = Callable[[Floats, Floats], Bools]  # of points and normals in the nominal frame


@dataclass(frozen=True, eq=False)
class Stand:
    """A nominal with all that alignment needs of it."""

    nominal: Nominal
    samples: Samples
    surface: SurfaceQuery

    def align(
        self, scan: Scan, coarse: RigidTransform | None, settings: AlignSettings | None = None, seed: int = 0
    ) -> Alignment:
        """Align from a coarse pose, or from nowhere."""
        return align(
            self.nominal,
            self.samples,
            scan,
            surface=self.surface,
            settings=settings,
            seed=seed,
            orientation=None if coarse is None else oriented(coarse),
        )


@lru_cache(maxsize=12)
def stand(nominal: Nominal) -> Stand:
    """Make a nominal ready; parts are made once, so each is sampled once."""
    return Stand(nominal, sample_nominal(nominal), SurfaceQuery(nominal.vertices_mm, nominal.triangles))


def head_stand() -> Stand:
    """The cylinder head."""
    return stand(head_block())


def oriented(pose: RigidTransform, status: AlignmentStatus = AlignmentStatus.ALIGNED) -> Orientation:
    """A coarse pose as orientation would hand it over."""
    return Orientation(
        status=status,
        reason=None if status is AlignmentStatus.ALIGNED else "two poses explain the scan",
        T_nominal_scan=pose,
        rivals=(),
        candidate_count=1,
        overlap_share=1.0,
        coverage_share=1.0,
        seed=0,
    )


def nudged(
    pose: RigidTransform, rng: np.random.Generator, *, tilt_deg: float = 1.5, shift_mm: float = 2.0
) -> RigidTransform:
    """A pose as far off as orientation may leave it, about the head's middle."""
    axis, way = rng.normal(size=(2, 3))
    turn = np.radians(tilt_deg) * axis / np.linalg.norm(axis)
    return RigidTransform.about(turn, shift_mm * way / np.linalg.norm(way), HEAD_CENTRE_MM) @ pose


def scanned(
    piece: Nominal, recipe: ScanRecipe, seed: int = 0, *, keep: Keep | None = None, has_normals: bool = True
) -> tuple[Scan, RigidTransform]:
    """A simulated scan in a random pose, and the true ``T_nominal_scan``."""
    rng = np.random.default_rng(seed)
    pose = random_pose(rng)
    points, normals = simulate_scan(piece, recipe, pose=pose, rng=rng)
    if keep is not None:
        kept = keep(pose.inverse().apply(points), pose.inverse().turn(normals))
        points, normals = points[kept], normals[kept]
    return cloud_scan(points, normals if has_normals else None), pose.inverse()


def cloud_scan(points_mm: Floats, normals: Floats | None) -> Scan:
    """A point cloud as reading would hand it over, in arrays that cannot be written to."""
    points_mm = points_mm.copy()
    points_mm.setflags(write=False)
    if normals is not None:
        normals = normals.copy()
        normals.setflags(write=False)
    return Scan(points_mm=points_mm, normals=normals, triangles=None, declared_unit="mm", quantum_mm=0.0)


def error_mm(found: RigidTransform | None, true: RigidTransform, at_nominal_mm: Floats) -> float:
    """How far a place (3,) of the part, or the farthest of (n, 3), lies from where it should."""
    if found is None:
        raise AssertionError("no pose was found")
    moved = found.apply(true.inverse().apply(np.atleast_2d(at_nominal_mm)))
    return float(np.linalg.norm(moved - np.atleast_2d(at_nominal_mm), axis=1).max())

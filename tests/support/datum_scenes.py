"""Pieces with datums of known place, for frames with closed-form answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from shared.plan import Datum, DatumReference, Frame
from tests.support.feature_records import plane_of
from tests.support.shapes import block, deviation_of
from worker.datums.records import MeasuringFrame, NoFrame
from worker.datums.reference_frame import datum_frame
from worker.features.records import Feature
from worker.measuring.seen import Seen
from worker.records import Floats, Nominal, Scan
from worker.rigid import RigidTransform

Change = Callable[[Floats], Floats]  # of the points (n, 3) of one face
BOX_SIZE = (100.0, 80.0, 60.0)
BOX = block(BOX_SIZE)
PLANES = tuple(plane_of(BOX, face) for face in range(6))
LOW_X, HIGH_X, LOW_Y, HIGH_Y, LOW_Z, HIGH_Z = (plane.id for plane in PLANES)
LEAST_SQUARES, TANGENT = DatumReference.LEAST_SQUARES, DatumReference.TANGENT


def box_scan(changes: dict[int, Change] | None = None, *, step_mm: float = 4.0, size: Floats | None = None) -> Scan:
    """An even grid on every face of the box, the points of some faces changed; normals as nominal has them."""
    size = np.array(BOX_SIZE) if size is None else size
    points, normals = [], []
    for face in range(6):
        axis, is_high = face // 2, face % 2
        flat = [index for index in range(3) if index != axis]
        lines = [_middles(size[index], step_mm) for index in flat]
        grid = np.meshgrid(*lines, indexing="ij")
        own = np.zeros((grid[0].size, 3))
        own[:, flat[0]], own[:, flat[1]] = grid[0].ravel(), grid[1].ravel()
        own[:, axis] = size[axis] * is_high
        change = (changes or {}).get(face)
        points.append(own if change is None else change(own))
        normal = np.zeros((len(own), 3))
        normal[:, axis] = 1.0 if is_high else -1.0
        normals.append(normal)
    return Scan(np.concatenate(points), np.concatenate(normals), None, "mm", 0.0)


def shifted(*shift_mm: float) -> Change:
    """A face moved as a whole."""
    return lambda points: points + np.array(shift_mm)


def _middles(length_mm: float, step_mm: float) -> Floats:
    count = round(length_mm / step_mm)
    middles: Floats = (np.arange(count) + 0.5) * length_mm / count
    return middles


def moved(scan: Scan, motion: RigidTransform) -> Scan:
    """The scan, moved; normals stay near enough."""
    return Scan(motion.apply(scan.points_mm), scan.normals, None, "mm", 0.0)


def seen_of(nominal: Nominal, scan: Scan) -> Seen:
    """Measured in the pose the scan comes in."""
    samples, deviation = deviation_of(nominal, scan)
    return Seen(nominal, samples, deviation)


def still_pose(sigma_mm: float = 0.0, centre_mm: Floats | None = None) -> MeasuringFrame:
    """The pose, as sure as stated in shifts."""
    return MeasuringFrame(
        name="pose",
        T_frame_pose=RigidTransform.identity(),
        covariance=np.diag([0.0, 0.0, 0.0, sigma_mm**2, sigma_mm**2, sigma_mm**2]),
        centre_mm=np.zeros(3) if centre_mm is None else centre_mm,
        dof=100.0,
        description="as given",
    )


def frame_result(
    seen: Seen,
    picks: Sequence[str],
    reference: DatumReference = LEAST_SQUARES,
    features: tuple[Feature, ...] = PLANES,
    pose: MeasuringFrame | None = None,
) -> MeasuringFrame | NoFrame:
    """The frame on features picked by id in order of precedence, lettered from A."""
    datums = [
        Datum.model_validate({"letter": letter, "feature": pick, "reference": reference})
        for letter, pick in zip("ABC", picks, strict=False)
    ]
    frame = Frame(name="main", datums=tuple(datum.letter for datum in datums))
    return datum_frame(frame, datums, features, seen, pose or still_pose())


def frame_on(
    seen: Seen,
    picks: Sequence[str],
    reference: DatumReference = LEAST_SQUARES,
    features: tuple[Feature, ...] = PLANES,
    pose: MeasuringFrame | None = None,
) -> MeasuringFrame:
    """The same, sure that there is one."""
    found = frame_result(seen, picks, reference, features, pose)
    assert isinstance(found, MeasuringFrame), found
    return found

"""Frames that need no datums: the pose, the plain best fit, the fit of chosen regions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial.transform import Rotation

from worker.aligning.freedom import LEAST_BLOCKS
from worker.datums.records import MeasuringFrame, NoFrame
from worker.measuring.displacement import Displacement, DisplacementSettings, region_displacement
from worker.measuring.seen import NotMeasured, Seen
from worker.records import Alignment, Bools, Region
from worker.rigid import RigidTransform

POSE, BEST_FIT, REGIONS = "fit of the whole piece", "best fit", "regions"
PLAIN = DisplacementSettings(plain_iterations=8, iterations=8)  # least squares to the end, no robust weights
MOTION_COUNT = 6


def pose_frame(alignment: Alignment, body: Displacement | None) -> MeasuringFrame:
    """The robust fit of the whole piece, or of the surface outside all cores where ``body`` says how that lies.

    body : rigid displacement of that surface against the pose; None where the plan names no cores, or
        where they had no part in the pose
    """
    if body is not None:
        text = "The surface outside all cores, fitted so that displaced places stand out."
        return _displaced(POSE, body, text)
    centre, covariance = np.zeros(3), np.zeros((6, 6))
    if alignment.freedom is not None:
        centre, covariance = alignment.freedom.centre_mm, alignment.freedom.covariance
    return MeasuringFrame(
        name=POSE,
        T_frame_pose=RigidTransform.identity(),
        covariance=covariance,
        centre_mm=centre,
        dof=float(LEAST_BLOCKS - MOTION_COUNT),
        description="The fit of the whole piece that lets displaced places stand out.",
    )


def best_fit_frame(seen: Seen) -> MeasuringFrame | NoFrame:
    """Plain least squares of everything seen, each part of the surface by its area.

    It halves a local fault: half of it is shown where it is, the other half on the opposite side.
    """
    is_all: Bools = np.ones(len(seen.samples.face), dtype=bool)
    region = Region("the piece", "whole", is_all)
    text = "Least squares of everything seen; a local fault is shared out between itself and what lies opposite."
    return _fitted(BEST_FIT, region, seen, text)


def region_frame(regions: Sequence[Region], seen: Seen) -> MeasuringFrame | NoFrame:
    """Plain least squares of the named regions together; refuses what can slide or turn on them."""
    if not regions:
        raise ValueError("no regions to fit")
    is_member: Bools = np.logical_or.reduce([region.is_member for region in regions])
    names = ", ".join(region.name for region in regions)
    return _fitted(REGIONS, Region(names, "regions", is_member), seen, f"Least squares of {names}.")


def _fitted(name: str, region: Region, seen: Seen, text: str) -> MeasuringFrame | NoFrame:
    found = region_displacement(region, seen, shrink_removed=False, settings=PLAIN)
    if isinstance(found, NotMeasured):
        return NoFrame(found.reason)
    if found.free_text:
        return NoFrame(f"the piece is not held by {region.name}: on it, it {' and '.join(found.free_text)}")
    return _displaced(name, found, text)


def _displaced(name: str, found: Displacement, text: str) -> MeasuringFrame:
    """The frame that takes a displacement back."""
    T_pose_frame = RigidTransform.about(found.rotation_rad, found.shift_mm, found.centre_mm)
    T_frame_pose = T_pose_frame.inverse()
    return MeasuringFrame(
        name=name,
        T_frame_pose=T_frame_pose,
        covariance=found.covariance,
        centre_mm=found.centre_mm,
        dof=found.dof,
        description=text,
        open_text=found.free_text,
        moved_mm=float(np.linalg.norm(T_frame_pose.apply(found.centre_mm) - found.centre_mm)),
        turned_rad=float(Rotation.from_matrix(T_frame_pose.rotation).magnitude()),
    )

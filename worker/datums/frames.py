"""Frames that need no datums: the pose, the plain best fit, the fit of chosen regions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from worker.aligning.freedom import LEAST_BLOCKS
from worker.datums.motions import Origin, open_words, rigid
from worker.datums.records import MeasuringFrame, NoFrame
from worker.fitting.robust import clustered_covariance
from worker.measuring.displacement import Displacement
from worker.measuring.seen import Seen
from worker.records import Alignment, Bools, Floats, Ints, Region
from worker.rigid import RigidTransform

POSE, BEST_FIT, REGIONS = "fit of the whole piece", "best fit", "regions"
LEAST_SAMPLES = 50  # six numbers and their scatter
SAMPLE_LIMIT = 60_000  # evenly taken
MOST_STEPS = 4  # of Newton's, on what is linear but for the square of the turn
HELD_EIGENVALUE = 2e-3  # of the largest: a motion the surface notices less cannot be told from form
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
    """Rigid motion of least squares of the deviation, each sample of nominal by the area it stands for."""
    rows = np.flatnonzero(region.is_member & seen.deviation.is_measured)
    if len(rows) < LEAST_SAMPLES:
        return NoFrame(f"only {len(rows)} places of {region.name} are measured")
    patch = _Patch.of(rows[:: max(1, len(rows) // SAMPLE_LIMIT)], seen)
    slack = _slack(patch)
    if slack.shape[1]:
        words = " and ".join(open_words(slack, patch.origin))
        return NoFrame(f"the piece is not held by {region.name}: on it, it {words}")
    T_frame_pose = RigidTransform.identity()
    for _ in range(MOST_STEPS):
        height = patch.heights(T_frame_pose)
        step = -np.linalg.lstsq(patch.normal_matrix, patch.gradient(height), rcond=None)[0] * patch.origin.units
        T_frame_pose = rigid(step, patch.origin) @ T_frame_pose
    units = patch.origin.units
    spread = clustered_covariance(patch.rows, patch.weights, patch.heights(T_frame_pose), patch.places_mm)
    return MeasuringFrame(
        name=name,
        T_frame_pose=T_frame_pose,
        covariance=spread.covariance * np.outer(units, units),
        centre_mm=patch.origin.centre_mm,
        dof=spread.dof,
        description=text,
    )


@dataclass(frozen=True, eq=False)
class _Patch:
    """Samples of a surface: where nominal has them, where the piece, their normals and weights.

    rows : (n, 6) change of their heights with scaled motions about the origin
    """

    places_mm: Floats
    points_mm: Floats
    normals: Floats
    weights: Floats
    origin: Origin

    @classmethod
    def of(cls, rows: Ints, seen: Seen) -> _Patch:
        samples = seen.samples
        places, normals = samples.points_mm[rows], samples.normals[rows]
        weights = samples.area_mm2[rows] / float(samples.area_mm2[rows].mean())
        points = places + seen.deviation.distance_mm[rows, None] * normals
        centre = np.average(places, axis=0, weights=weights)
        radius = float(np.sqrt(np.average(((places - centre) ** 2).sum(axis=1), weights=weights)))
        return cls(places, points, normals, weights, Origin(centre, max(radius, 1e-9)))

    @cached_property
    def rows(self) -> Floats:
        rows: Floats = self.origin.rows(self.places_mm, self.normals) * self.origin.units
        return rows

    @cached_property
    def normal_matrix(self) -> Floats:
        """Of the least squares, summed in a fixed order whatever the number of threads."""
        matrix: Floats = np.einsum("ni,n,nj->ij", self.rows, self.weights, self.rows)
        return matrix

    def gradient(self, height_mm: Floats) -> Floats:
        sums: Floats = np.einsum("ni,n,n->i", self.rows, self.weights, height_mm)
        return sums

    def heights(self, T_frame_pose: RigidTransform) -> Floats:
        """Of the piece, moved, above nominal's tangent plane at each sample."""
        moved = T_frame_pose.apply(self.points_mm)
        heights: Floats = np.einsum("ij,ij->i", moved - self.places_mm, self.normals)
        return heights


def _slack(patch: _Patch) -> Floats:
    """(6, m) motions that the surface hardly notices (Gelfand and Guibas 2004)."""
    values, vectors = np.linalg.eigh(patch.normal_matrix)
    slack: Floats = vectors[:, values <= HELD_EIGENVALUE * values[-1]] * patch.origin.units[:, None]
    return slack


def _displaced(name: str, found: Displacement, text: str) -> MeasuringFrame:
    """The frame that takes a displacement back."""
    T_pose_frame = RigidTransform.about(found.rotation_rad, found.shift_mm, found.centre_mm)
    return MeasuringFrame(
        name=name,
        T_frame_pose=T_pose_frame.inverse(),
        covariance=found.covariance,
        centre_mm=found.centre_mm,
        dof=found.dof,
        description=text,
        open_text=found.free_text,
    )

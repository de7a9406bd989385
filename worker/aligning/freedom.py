"""How well each freedom of the pose is held by the surface that was scanned.

The information matrix of point-to-surface pairs says which small motions the residuals would
notice (N. Gelfand, L. Guibas, Shape segmentation using local slippage analysis, SGP 2004): a
sphere leaves three motions free, a plane three, a cylinder two, a surface of revolution one, an
extrusion one, a box none.  Its inverse is the covariance of the pose, valid for point-to-plane
residuals (S. Bonnabel, M. Barczyk, F. Goulette, arXiv 1410.7632).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.aligning.refine import information
from worker.fitting.robust import RobustFit, face_covariance
from worker.records import Floats, Freedom, Ints

BLOCK_MM = 10.0  # scan noise and sand-cast roughness are alike over 1 to 3 mm: blocks this wide are independent
LEAST_BLOCKS = 200  # below that the scatter between blocks is itself too uncertain, so blocks are made smaller
SLIDE_RATIO = 0.25  # pitch or arm under a quarter of the part's radius reads as a plain rotation or slide
LEAST_HELD = 1e-6  # information, in points, that a motion nothing holds is given so that its variance is a number
AXES = "xyz"


@dataclass(frozen=True, eq=False)
class Evidence:
    """Pairs as the final fit weighs them.

    points_mm, normals : (n, 3) nominal frame, on the surface and out of it
    residual_mm, weights : (n,)
    slope_share : mean slope of the robust score over the mean weight; 1 for least squares
    """

    points_mm: Floats
    normals: Floats
    residual_mm: Floats
    weights: Floats
    slope_share: float = 1.0

    @property
    def centre_mm(self) -> Floats:
        """(3,) weighted centroid."""
        centre: Floats = (self.points_mm * self.weights[:, None]).sum(axis=0) / self.weights.sum()
        return centre

    @property
    def radius_mm(self) -> float:
        """Weighted rms distance from the centroid."""
        arm = self.points_mm - self.centre_mm
        return float(np.sqrt((np.einsum("ij,ij->i", arm, arm) * self.weights).sum() / self.weights.sum()))


def screw_rows(points_mm: Floats, normals: Floats, centre_mm: Floats, radius_mm: float) -> Floats:
    """Rows (6, n): change of each residual with rotation about the centre (times radius, mm) and translation (mm)."""
    arm = (points_mm - centre_mm) / radius_mm
    return np.ascontiguousarray(np.concatenate([np.cross(arm, normals), normals], axis=1).T)


def slippage(points_mm: Floats, normals: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Eigenvalues (6,) ascending over the largest, and eigenvectors (6, 6) in columns, of the information matrix.

    points_mm, normals : (n, 3) nominal frame;  weights : (n,)

    Rotations are about the weighted centroid and scaled by the rms radius (Gelfand and Guibas 2004).
    """
    evidence = Evidence(points_mm, normals, np.zeros(len(points_mm)), weights)
    rows = screw_rows(points_mm, normals, evidence.centre_mm, evidence.radius_mm)
    values, vectors = np.linalg.eigh(information(rows, weights))
    return np.maximum(values, 0.0) / values[-1], vectors


def fit_covariance(rows: Floats, evidence: Evidence) -> Floats:
    """Covariance (k, k) of a robust fit whose residuals change by ``rows`` (k, n), correlated residuals allowed for.

    That of an M-estimator, v / slope (J' W J)^-1 with v the variance of its scores (Huber 1981, section 7.6),
    enlarged by the design effect.  A motion that nothing holds comes out with the information of a millionth of one
    point: a huge variance, not a missing one.
    """
    weights = evidence.weights
    scores = weights * evidence.residual_mm
    slope = evidence.slope_share
    values, vectors = np.linalg.eigh(slope * information(rows, weights))
    bread: Floats = (vectors / np.maximum(values, LEAST_HELD * float(weights.max()))) @ vectors.T
    independent: Floats = float(scores @ scores) / (slope * float(weights.sum())) * bread
    return design_effect(rows * scores, evidence.points_mm, bread, independent) * independent


def honest_covariance(evidence: Evidence, fit: RobustFit, face: Ints, *, keeps_weights: bool = False) -> Floats:
    """``fit_covariance``, or what whole faces that are off can do to the fit (k, k), if that is more.

    fit : of the same pairs;  face : (n,) number of nominal's face each pair lies on

    The pose of a piece some of whose faces are displaced rests on which of them a robust fit believes.
    """
    plain = fit_covariance(fit.rows.T, evidence)
    faces = face_covariance(fit, face, keeps_weights=keeps_weights)
    return plain if faces is None or np.trace(faces.covariance) < np.trace(plain) else faces.covariance


def design_effect(scores: Floats, points_mm: Floats, bread: Floats, independent: Floats) -> float:
    """Mean ratio, at least 1, of the variances from block sums of ``scores`` (k, n) to those of independent points.

    Noise that is alike over a patch makes the sums of whole blocks scatter more than their points suggest: the
    cluster form of the block bootstrap (K.-Y. Liang, S. Zeger, Biometrika 73(1), 1986).
    """
    block = block_index(points_mm)
    sums = np.array([np.bincount(block, row) for row in scores])
    blocked = bread @ information(sums, np.ones(sums.shape[1])) @ bread
    ratio = np.diag(blocked) / np.diag(independent)
    return float(max(1.0, ratio.mean()))


def block_index(points_mm: Floats) -> Ints:
    """Block (n,) of each point: cubes of ``BLOCK_MM``, smaller while there are under ``LEAST_BLOCKS``."""
    edge = BLOCK_MM
    low = points_mm.min(axis=0)
    while True:
        cell = np.floor((points_mm - low) / edge).astype(np.int64)
        _, block = np.unique(cell, axis=0, return_inverse=True)
        if block.max() + 1 >= min(LEAST_BLOCKS, len(points_mm) // 20 + 1):
            return block.reshape(-1).astype(np.int64)
        edge /= 1.5


def freedom_of(evidence: Evidence, smooth: Evidence, covariance: Floats, centre_mm: Floats) -> Freedom:
    """The record.

    evidence : the pairs of the fit
    smooth : the same places with nominal's smooth normals; facets would seem to hold a cylinder's rotation
    covariance : (6, 6) of (rotation_rad, translation_mm) about ``centre_mm``
    """
    values, vectors = slippage(smooth.points_mm, smooth.normals, smooth.weights)
    screw = vectors[:, 0]
    centre, radius = smooth.centre_mm, smooth.radius_mm
    moved = screw_motion(screw, evidence.points_mm, centre, radius)
    mean_sq = float((np.einsum("ij,ij->i", moved, moved) * evidence.weights).sum() / evidence.weights.sum())
    return Freedom(
        eigenvalues=values,
        weakest_screw=screw,
        weakest_text=screw_text(screw, centre, radius),
        weakest_sigma_mm=screw_sigma(screw, covariance, (centre, radius), centre_mm) * float(np.sqrt(mean_sq)),
        covariance=covariance,
        centre_mm=centre_mm,
    )


def screw_motion(screw: Floats, points_mm: Floats, centre_mm: Floats, radius_mm: float) -> Floats:
    """How (n, 3) points move under a unit of the scaled screw."""
    motion: Floats = np.cross(screw[:3] / radius_mm, points_mm - centre_mm) + screw[3:]
    return motion


def screw_sigma(screw: Floats, covariance: Floats, own: tuple[Floats, float], centre_mm: Floats) -> float:
    """Standard deviation of the amount of a scaled screw, given about ``own`` (centre, radius)."""
    centre, radius = own
    shift = np.cross(screw[:3] / radius, centre_mm - centre) + screw[3:]
    motion = np.r_[screw[:3] / radius, shift]
    held = np.linalg.inv(covariance)
    precision = float(motion @ held @ motion)
    return float(1.0 / np.sqrt(precision)) if precision > 0 else float("inf")


def screw_text(screw: Floats, centre_mm: Floats, radius_mm: float) -> str:
    """The motion in words, in part axes.

    screw : (6,) rotation times radius (mm), translation (mm) of the centre
    """
    turn, shift = screw[:3], screw[3:]
    amount = float(np.linalg.norm(turn))
    if amount < SLIDE_RATIO * float(np.linalg.norm(shift)):
        return f"slides {direction_text(shift)}"
    axis = turn / amount
    pitch = float(axis @ shift) / amount
    place = centre_mm + np.cross(axis, shift) * radius_mm / amount
    where = f"rotation about an axis {direction_text(axis)} through {place_text(place, axis)}"
    if abs(pitch) > SLIDE_RATIO:
        return f"{where}, sliding along it"
    return where


def direction_text(direction: Floats) -> str:
    """``along x`` where an axis is within 3 degrees, else the components."""
    unit = direction / np.linalg.norm(direction)
    main = int(np.argmax(np.abs(unit)))
    if abs(unit[main]) > np.cos(np.radians(3.0)):
        return f"along {AXES[main]}"
    unit = unit * np.sign(unit[main])
    return "along (" + ", ".join(f"{value:.2f}" for value in unit) + ")"


def place_text(place_mm: Floats, axis: Floats) -> str:
    """A point of an axis; along a part axis only the two coordinates that say something."""
    main = int(np.argmax(np.abs(axis)))
    if abs(axis[main]) > np.cos(np.radians(3.0)):
        parts = [f"{AXES[index]} {place_mm[index] + 0.0:.1f}" for index in range(3) if index != main]
        return "(" + ", ".join(parts) + ") mm"
    return "(" + ", ".join(f"{value + 0.0:.1f}" for value in place_mm) + ") mm"

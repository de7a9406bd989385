"""What the scan says of an outline: how much of it was seen, what the rest is likely to be, how sure it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.offsets.outline import LEAST_SLOPE, CuttingPlane, Outline, centroid_influence, chosen_outline, outlines
from worker.offsets.sheet import Sheet
from worker.records import Bools, Deviation, Floats, Samples

LIKE_NEIGHBOURS = 2.0  # variance of a mean over samples whose neighbours share scan points: six at a sixth each
TILT_STEP_SHARE, SHIFT_STEP_SHARE = 0.1, 1.0  # of the samples' spacing: over facets, far within a passage


@dataclass(frozen=True, eq=False)
class SeenOutline:
    """An outline of nominal as the scan shows it.

    share : of its length that was scanned
    offset_mm : (s,) deviation of every sample of the part, those of the sheet nobody scanned being filled in
    noise, unseen : (2, 2) covariance of the centroid in the plane, mm2: from scan noise, and from what was filled in
    """

    share: float
    offset_mm: Floats
    noise: Floats
    unseen: Floats


@dataclass(frozen=True, eq=False)
class _Along:
    """An outline's points: influence (n, 2), deviation (n,), is_seen (n,), facing (n, 2) and slope of the wall."""

    influence: Floats
    deviation_mm: Floats
    is_seen: Bools
    facing: Floats
    slope: Floats
    weight_mm: Floats


def seen_outline(
    outline: Outline, plane: CuttingPlane, sheet: Sheet, samples: Samples, deviation: Deviation
) -> SeenOutline:
    """The outline of nominal under the deviation of the piece.

    What was not scanned is taken to have moved and grown as the rest: the shift in the plane and the growth that
    fit the rest best (least squares), off which it may lie as far as the rest does.
    """
    along = _along(outline, plane, sheet, samples, deviation)
    weight = along.weight_mm
    share = float(weight[along.is_seen].sum() / weight.sum())
    shift, growth, scatter_mm = _motion(along)
    normals = samples.normals
    across = normals @ plane.basis.T
    likely = across @ shift + growth * np.linalg.norm(across, axis=1)
    filled = np.where(deviation.is_measured, deviation.distance_mm, likely)
    runs = _runs(~along.is_seen)
    gaps = np.array([along.influence[run].sum(axis=0) for run in runs]).reshape(-1, 2)
    return SeenOutline(
        share, filled, _noise(outline, along, sheet, deviation), scatter_mm**2 * np.einsum("ri,rj->ij", gaps, gaps)
    )


def centroid_motion(
    outline: Outline, plane: CuttingPlane, corners_mm: Floats, sheet: Sheet, spacing_mm: float
) -> Floats | None:
    """How the centroid moves (3, 2) in the plane with the plane: per mm along its normal, per rad toward its basis.

    None where a plane a little off cuts no such outline.
    """
    reach = float(np.sqrt(outline.area_mm2 / np.pi))
    steps = np.diag([SHIFT_STEP_SHARE * spacing_mm, *([TILT_STEP_SHARE * spacing_mm / reach] * 2)])
    moved = []
    for step in steps:
        ends = []
        for way in (1.0, -1.0):
            other = plane.moved(outline.centroid_mm, way * step)
            found = chosen_outline(outlines(corners_mm, sheet.triangles, other), outline.centroid_mm, other)
            if found is None:
                return None
            ends.append(plane.flat(found.centroid_mm[None])[0])
        moved.append((ends[0] - ends[1]) / (2 * float(step.max())))
    return np.array(moved)


def _along(outline: Outline, plane: CuttingPlane, sheet: Sheet, samples: Samples, deviation: Deviation) -> _Along:
    seen = sheet.mean(deviation.is_measured.astype(np.float64))
    value = sheet.mean(np.where(deviation.is_measured, deviation.distance_mm, 0.0))
    normals = sheet.mean(samples.normals)
    at_seen = outline.at(seen)
    across = outline.at(normals) @ plane.basis.T
    slope = np.maximum(np.linalg.norm(across, axis=1), LEAST_SLOPE)
    return _Along(
        influence=centroid_influence(outline, normals, plane),
        deviation_mm=np.divide(outline.at(value), at_seen, out=np.zeros_like(at_seen), where=at_seen > 0),
        is_seen=at_seen > 0.5,
        facing=across,
        slope=slope,
        weight_mm=outline.weight_mm,
    )


def _motion(along: _Along) -> tuple[Floats, float, float]:
    """Shift (2,) in the plane, growth and weighted scatter of the deviation about both, where it was seen."""
    rows = along.is_seen
    root = np.sqrt(along.weight_mm[rows])
    if np.count_nonzero(root) < 4:
        return np.zeros(2), 0.0, 0.0
    design = np.column_stack([along.facing[rows], along.slope[rows]]) * root[:, None]
    solved, *_ = np.linalg.lstsq(design, along.deviation_mm[rows] * root, rcond=1e-3)
    found: Floats = np.asarray(solved, dtype=np.float64)
    residual = along.deviation_mm[rows] * root - design @ found
    return found[:2], float(found[2]), float(np.sqrt((residual**2).sum() / (root**2).sum()))


def _noise(outline: Outline, along: _Along, sheet: Sheet, deviation: Deviation) -> Floats:
    """Covariance (2, 2) of the centroid from the noise of every sample it rests on.

    Where the scan has fewer points than there are samples, a point speaks for several along the outline.
    """
    own = np.where(along.is_seen[:, None], along.influence, 0.0)
    spread = np.zeros((sheet.count, 2))
    for column, share in ((0, 1 - outline.share), (1, outline.share)):
        for part in range(2):
            spread[:, part] += np.bincount(outline.ends[:, column], share * own[:, part], minlength=sheet.count)
    sigma = sheet.mean(deviation.sigma_mm)
    used = np.unique(outline.ends)
    density = float(sheet.mean(deviation.point_count.astype(np.float64))[used].mean())
    sharing = LIKE_NEIGHBOURS / min(1.0, max(density, 1e-3)) ** 0.5
    covariance: Floats = sharing * (spread * sigma[:, None] ** 2).T @ spread
    return covariance


def _runs(marked: Bools) -> list[Bools]:
    """Masks (n,) of the connected runs of a mask round a loop."""
    if not marked.any():
        return []
    if marked.all():
        return [marked]
    turned = np.roll(marked, -int(np.argmin(marked)))
    label = np.cumsum(turned & ~np.roll(turned, 1)) * turned
    back = np.roll(label, int(np.argmin(marked)))
    return [back == number for number in range(1, int(label.max()) + 1)]

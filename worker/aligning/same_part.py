"""Whether scan and nominal are the same part at all: a map of one part over another misleads, so it is not drawn."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.spatial import cKDTree

from worker.aligning.pairs import Pairs
from worker.aligning.thinning import picked_by_area, typical_spacing_mm
from worker.records import Bools, Floats, Ints, Samples
from worker.surface import SurfaceQuery

LOOKS = 26  # directions to the corners, edges and faces of a cube: a scanner is walked round the part
START_SHARE = 1e-3  # of the diagonal: rays begin this far off the surface


@dataclass(frozen=True, kw_only=True)
class SamePartSettings:
    """What a scan of this part, however bad the casting, must show."""

    explained_mm: float = 2.0  # castings a whole millimetre off everywhere are still the part
    explained_size_share: float = 0.01  # of the diagonal, for large parts; ISO 8062-3 grades grow with size likewise
    explained_limit_share: float = 0.03  # of the diagonal, for small parts: 2 mm of a 40 mm part would explain anything
    near_share: float = 0.05  # of the diagonal: what is farther from nominal is table, clamp or hand, and says nothing
    least_near: float = 0.55  # of the scan near nominal; same parts show over 0.7, others under 0.5 (eight test parts)
    least_scan: float = 0.1  # of the whole scan: a table may be several times the part's area
    least_nominal: float = 0.12  # of what can be seen of nominal: one side of a part is 0.2 to 0.5 of it
    look_count: int = 4000  # samples asked; a share is then known to 1 %


@dataclass(frozen=True, eq=False)
class Likeness:
    """Shares by area: of the scan near nominal, of the whole scan, of nominal's visible surface."""

    explained_near: float
    explained_scan: float
    explained_nominal: float
    tolerance_mm: float


def likeness(
    points_mm: Floats, pairs: Pairs, samples: Samples, surface: SurfaceQuery, settings: SamePartSettings
) -> Likeness:
    """How much of each explains the other.

    points_mm : (n, 3) the whole scan evenly thinned, in the nominal frame;  pairs : of those points
    """
    diagonal = float(np.linalg.norm(np.ptp(samples.points_mm, axis=0)))
    tolerance = min(
        max(settings.explained_mm, settings.explained_size_share * diagonal), settings.explained_limit_share * diagonal
    )
    size = np.abs(pairs.residual_mm)
    is_explained = pairs.is_facing & (size < tolerance)
    is_near = size < settings.near_share * diagonal
    looked = visible_samples(samples, surface, settings.look_count)
    met = _met(samples, looked, points_mm[is_explained], pairs.direction[is_explained], tolerance)
    return Likeness(
        explained_near=float(is_explained.sum() / max(is_near.sum(), 1)),
        explained_scan=float(is_explained.mean()) if len(size) else 0.0,
        explained_nominal=float(met.mean()) if len(met) else 0.0,
        tolerance_mm=tolerance,
    )


def difference_reason(found: Likeness, settings: SamePartSettings) -> str | None:
    """Why scan and nominal cannot be the same part, or None."""
    within = f"within {found.tolerance_mm:.1f} mm"
    if found.explained_near < settings.least_near:
        seen = f"only {found.explained_near:.0%} of the scan around the nominal lies {within} of it"
    elif found.explained_scan < settings.least_scan:
        seen = f"only {found.explained_scan:.0%} of the scan lies {within} of the nominal"
    elif found.explained_nominal < settings.least_nominal:
        seen = f"only {found.explained_nominal:.0%} of the nominal's visible surface has scan {within} of it"
    else:
        return None
    return f"Scan and nominal look like different parts: {seen}."


def visible_samples(samples: Samples, surface: SurfaceQuery, count: int) -> Ints:
    """Index of about ``count`` evenly spread samples that a scanner outside the part can see."""
    index = picked_by_area(samples.area_mm2, count)
    diagonal = float(np.linalg.norm(np.ptp(samples.points_mm, axis=0)))
    origins = samples.points_mm[index] + START_SHARE * diagonal * samples.normals[index]
    looks = look_directions()
    is_seen = np.zeros(len(index), dtype=np.bool_)
    for look in looks:
        asked = np.flatnonzero(~is_seen & (samples.normals[index] @ look > 0.2))
        hits = surface.cast(origins[asked], np.broadcast_to(look, (len(asked), 3)))
        is_seen[asked[~hits.is_hit]] = True
    return index[is_seen]


def look_directions() -> Floats:
    """(26, 3) unit."""
    steps = np.array([step for step in product((-1.0, 0.0, 1.0), repeat=3) if any(step)])
    directions: Floats = steps / np.linalg.norm(steps, axis=1)[:, None]
    return directions


def _met(samples: Samples, looked: Ints, points_mm: Floats, directions: Floats, tolerance_mm: float) -> Bools:
    """Which of the looked-at samples have explained scan, facing their way, close by."""
    if not len(points_mm):
        return np.zeros(len(looked), dtype=np.bool_)
    reach = 2 * typical_spacing_mm(points_mm) + tolerance_mm
    tree = cKDTree(points_mm)
    distance, nearest = tree.query(samples.points_mm[looked], k=[1, 2, 3, 4], distance_upper_bound=reach, workers=1)
    facing = np.einsum("ijk,ik->ij", directions[np.minimum(nearest, len(points_mm) - 1)], samples.normals[looked])
    met: Bools = (np.isfinite(distance) & (facing > 0)).any(axis=1)
    return met

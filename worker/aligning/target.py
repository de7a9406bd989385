"""The nominal made ready to be searched: centred, with a quick and an exact way to the nearest surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.aligning.clouds import OrientationCloud
from worker.aligning.nearest import NearestGrid, nearest_grid
from worker.records import Floats
from worker.surface import SurfaceQuery

EXACT_SHARE = 0.02  # of the diagonal: farther places are far, however far exactly; asking costs most there


@dataclass(frozen=True, eq=False)
class Pairs:
    """Nearest surface for places (b, n, 3).

    normal : (b, n, 3) unit;  along_mm : (b, n) signed distance along it;  distance_mm : (b, n)
    """

    normal: Floats
    along_mm: Floats
    distance_mm: Floats


@dataclass(frozen=True, eq=False)
class Target:
    """The nominal in coordinates about the middle of its box.

    centre_mm : (3,) that middle, nominal frame;  corners_mm : (8, 3) of the box, centred
    """

    grid: NearestGrid
    surface: SurfaceQuery
    centre_mm: Floats
    diagonal_mm: float
    corners_mm: Floats

    def quick_pairs(self, places_mm: Floats) -> Pairs:
        """By looking up the grid: the plane of a nearby sample, and beyond its disc the way back to it."""
        sample = self.grid.nearest(places_mm)
        normal = self.grid.normals[sample]
        gap = places_mm - self.grid.points_mm[sample]
        along = np.einsum("bni,bni->bn", gap, normal)
        aside_sq = np.maximum(np.einsum("bni,bni->bn", gap, gap) - along * along, 0.0)
        beyond = np.maximum(np.sqrt(aside_sq) - self.grid.disc_mm, 0.0)
        return Pairs(normal, along, np.sqrt(along * along + beyond * beyond))

    def exact_pairs(self, places_mm: Floats) -> Pairs:
        """By the triangles themselves wherever the quick way says that they are near."""
        quick = self.quick_pairs(places_mm)
        near = quick.distance_mm < EXACT_SHARE * self.diagonal_mm
        asked = places_mm[near] + self.centre_mm
        closest = self.surface.closest(asked)
        normal, along, distance = quick.normal, quick.along_mm, quick.distance_mm
        normal[near] = self.surface.face_normals[closest.triangle]
        along[near] = np.einsum("ni,ni->n", asked - closest.point_mm, normal[near])
        distance[near] = closest.distance_mm
        return Pairs(normal, along, distance)

    def exact_distance_mm(self, places_mm: Floats) -> Floats:
        """Unsigned distance (n,) of centred places (n, 3), exact where near."""
        distance: Floats = self.exact_pairs(places_mm[None]).distance_mm[0]
        return distance


def target_of(nominal: OrientationCloud, *, cell_count: int) -> Target:
    """Prepare the nominal.

    Raises
    ------
    ValueError
        If the cloud has no normals or no surface: then it is a scan, not a nominal.

    """
    if nominal.normals is None or nominal.surface is None:
        raise ValueError("a nominal to orient by needs normals and its surface")
    low, high = nominal.points_mm.min(axis=0), nominal.points_mm.max(axis=0)
    centre, half = (low + high) / 2, (high - low) / 2
    corners = half * (np.stack(np.unravel_index(np.arange(8), (2, 2, 2)), axis=1) * 2.0 - 1.0)
    grid = nearest_grid(nominal.points_mm - centre, nominal.normals, cell_count=cell_count)
    return Target(grid, nominal.surface, centre, float(np.linalg.norm(high - low)), corners)

"""The surface of one region, of nominal or of the piece, and the nearest place of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from worker.measuring.analytic import FaceTable, exact_distance
from worker.measuring.corners import stitched_mm
from worker.measuring.patches import SampleNet
from worker.measuring.samples import trusted_faces
from worker.records import Bools, Deviation, Floats, Ints, Nominal, Samples
from worker.surface import SurfaceQuery

ON_IT_SHARE = 1e-6  # of the part's size: vertices agree with their exact surface far below this


@dataclass(frozen=True, eq=False)
class Foot:
    """The place of a skin nearest each of n points.

    wall_mm : (n,) distance; negative where an analytic skin has been passed already
    point_mm : (n, 3) on the skin;  normal : (n, 3) unit, out of material
    face : (n,);  is_exact : (n,) measured to the exact surface of an analytic face, not to facets
    corner, share : (n, 3) samples of the skin around the place, by their number in it, and their weights
    """

    wall_mm: Floats
    point_mm: Floats
    normal: Floats
    face: Ints
    is_exact: Bools
    corner: Ints
    share: Floats


@dataclass(frozen=True, eq=False)
class Skin:
    """One region's surface.

    rows : (k,) its samples;  points_mm, normals : (k, 3) of nominal;  face : (k,)
    triangles : (t, 3) int64 into these rows
    off_mm, calm_mm : (k,) deviation, as measured and as the mean over neighbours; 0 of nominal and where not seen
    level_mm : (k, 3) where the averaged deviation puts them, corners of several faces where the moved faces meet
    is_seen : (k,) False everywhere for nominal
    is_gap : (k,) not seen, but next to what was: there the deviation of the neighbours stands in
    table : the analytic faces;  tolerance_mm : how far facets lie from exact surfaces
    nominal : of the piece, the same surface as nominal has it; None of nominal itself
    """

    rows: Ints
    points_mm: Floats
    normals: Floats
    face: Ints
    triangles: Ints
    off_mm: Floats
    calm_mm: Floats
    level_mm: Floats
    is_seen: Bools
    is_gap: Bools
    table: FaceTable
    tolerance_mm: float
    nominal: Skin | None = None

    @cached_property
    def placed_mm(self) -> Floats:
        """Where its samples lie (k, 3): those of the piece, or of nominal."""
        placed: Floats = self.points_mm + self.off_mm[:, None] * self.normals
        return placed

    @cached_property
    def _flat(self) -> SurfaceQuery:
        return SurfaceQuery(self.points_mm, self.triangles) if self.nominal is None else self.nominal._flat  # noqa: SLF001

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.placed_mm)

    @cached_property
    def _longest_mm(self) -> float:
        """Longest edge: no place of a triangle lies farther from the nearest of its corners."""
        corners = self.placed_mm[self.triangles]
        edges = corners - np.roll(corners, 1, axis=1)
        return float(np.sqrt(np.einsum("tci,tci->tc", edges, edges).max()))

    def agrees(self, other: Skin) -> bool:
        """Whether both are one surface, to the last bit; what was made of one then holds for the other."""
        names = ("rows", "points_mm", "normals", "triangles", "off_mm", "calm_mm", "level_mm", "is_seen", "is_gap")
        is_same = all(np.array_equal(getattr(self, name), getattr(other, name)) for name in names)
        return is_same and self.table.agrees(other.table, np.unique(self.face))

    def numbers_of(self, rows: Ints) -> Ints:
        """Numbers (n,) in this skin of samples (n,) that belong to it."""
        return np.searchsorted(self.rows, rows)

    def within(self, far: Skin, reach_mm: float) -> Ints:
        """Numbers of the samples that may lie within ``reach_mm`` of another skin; none that does is left out."""
        reach_mm += 2 * far._longest_mm + far.tolerance_mm  # once more for what noise and slopes take off
        low, high = far.placed_mm.min(axis=0) - reach_mm, far.placed_mm.max(axis=0) + reach_mm
        near = np.flatnonzero(((self.placed_mm >= low) & (self.placed_mm <= high)).all(axis=1))
        distance, _ = far._tree.query(self.placed_mm[near], distance_upper_bound=reach_mm)
        return near[np.isfinite(distance)]

    def nearest_corner(self, points_mm: Floats) -> tuple[Floats, Ints]:
        """Distance (n,) from points (n, 3) to the nearest sample, and its number (n,)."""
        distance, corner = self._tree.query(points_mm)
        return np.asarray(distance, dtype=np.float64), np.asarray(corner, dtype=np.int64)

    @cached_property
    def _placed(self) -> SurfaceQuery:
        """Of averaged deviations: the nearest facet of a noisy surface is the one that noise brought near."""
        if not self.calm_mm.any():
            return self._flat
        return SurfaceQuery(self.level_mm, self.triangles)

    @cached_property
    def _slope_sq(self) -> Floats:
        """(t,) squared slope of the deviation over each triangle; none where one reaches into the unseen."""
        corners, off = self.points_mm[self.triangles], self.calm_mm[self.triangles]
        one, other = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        rise = off[:, 1:] - off[:, :1]
        a, b, c = ((x * y).sum(axis=1) for x, y in ((one, one), (one, other), (other, other)))
        area_sq = np.maximum(a * c - b * b, 1e-300)
        slope_sq: Floats = (c * rise[:, 0] ** 2 - 2 * b * rise[:, 0] * rise[:, 1] + a * rise[:, 1] ** 2) / area_sq
        is_whole = (self.is_seen | self.is_gap)[self.triangles].all(axis=1)
        return np.where(is_whole & (area_sq > 1e-12 * (a + c) ** 2), slope_sq, 0.0)

    def is_on(self, points_mm: Floats) -> Bools:
        """Which points (n, 3) of an exact surface lie on nominal's part of it, inside its borders."""
        is_on: Bools = self._flat.closest(points_mm).distance_mm <= self.tolerance_mm
        return is_on

    def _off_at(self, corner: Ints, share: Floats) -> Floats:
        """Deviation (n,) between samples, of those that were seen where most of the weight is theirs."""
        weight = share * self.is_seen[corner]
        total = weight.sum(axis=1)
        weight = np.where((total > 0.5)[:, None], weight, share)
        off: Floats = np.einsum("ij,ij->i", weight, self.off_mm[corner]) / weight.sum(axis=1)
        return off

    def nearest(self, points_mm: Floats) -> Foot:
        """Nearest place of the skin to points (n, 3) in material.

        The facets name the face; where that is analytic and the foot lies inside its borders, the
        distance is the exact one to it, less the deviation there.  A deviation that slopes by s makes
        the way to the skin shorter by the cosine of it.
        """
        found = self._placed.closest(points_mm)
        triangle, share = found.triangle.copy(), found.barycentric.copy()
        point, wall = found.point_mm.copy(), found.distance_mm.copy()
        face = self.face[self.triangles[triangle, 0]]
        normal = self._placed.normal_at(triangle, share)
        height, outward, is_exact = exact_distance(self.table, face, points_mm)
        rows = np.flatnonzero(is_exact)
        foot = points_mm[rows] - height[rows, None] * outward[rows]
        flat = self._flat.closest(foot)
        good = flat.distance_mm <= self.tolerance_mm
        if self.calm_mm.any():  # past a border the neighbour's samples are the nearest, which moved its way
            good &= self.face[self.triangles[flat.triangle, 0]] == face[rows]
        kept = rows[good]
        triangle[kept], share[kept] = flat.triangle[good], flat.barycentric[good]
        off = self._off_at(self.triangles[triangle[kept]], share[kept])
        wall[kept] = (off - height[kept]) / np.sqrt(1 + self._slope_sq[triangle[kept]])
        point[kept] = foot[good] + off[:, None] * outward[kept]
        normal[kept] = outward[kept]
        is_exact = np.zeros(len(points_mm), dtype=bool)
        is_exact[kept] = True
        return Foot(wall, point, normal, face, is_exact, self.triangles[triangle], share)


def nominal_skin(is_member: Bools, nominal: Nominal, samples: Samples) -> Skin | None:
    """The surface of a region (s,) as the CAD has it; None if it has no whole triangle.

    is_member : samples in the region.  A triangle belongs to it with all three of its corners.
    """
    inside = is_member[samples.triangles].all(axis=1)
    if not inside.any():
        return None
    rows, corner = np.unique(samples.triangles[inside], return_inverse=True)
    span = float(np.linalg.norm(np.ptp(nominal.vertices_mm, axis=0)))
    return Skin(
        rows=rows,
        points_mm=samples.points_mm[rows],
        normals=samples.normals[rows],
        face=samples.face[rows],
        triangles=corner.reshape(-1, 3),
        off_mm=np.zeros(len(rows)),
        calm_mm=np.zeros(len(rows)),
        level_mm=samples.points_mm[rows],
        is_seen=np.zeros(len(rows), dtype=bool),
        is_gap=np.zeros(len(rows), dtype=bool),
        table=trusted_faces(nominal),
        tolerance_mm=(nominal.chord_tolerance_mm or 0.0) + ON_IT_SHARE * span,
    )


@dataclass(frozen=True, eq=False)
class Level:
    """The averaged surface of the whole piece.

    calm_mm : (s,) deviation averaged over neighbours; in a gap one sample wide that of the neighbours, else 0
    is_gap : (s,) not seen, but next to what was
    points_mm : (s, 3) samples so moved, corners of several faces to where the moved faces meet
    """

    calm_mm: Floats
    is_gap: Bools
    points_mm: Floats


def level_of(samples: Samples, deviation: Deviation, net: SampleNet) -> Level:
    """The averaged surface of the piece; nominal's where it was not seen, nor anything beside it."""
    seen = deviation.is_measured
    calm = net.smooth(deviation.distance_mm, seen)
    corner, weight = samples.triangles.ravel(), seen[samples.triangles].astype(np.float64)
    number = np.bincount(corner, np.repeat(weight.sum(axis=1), 3), minlength=len(seen))
    around = np.bincount(corner, np.repeat((calm[samples.triangles] * weight).sum(axis=1), 3), minlength=len(seen))
    is_gap = ~seen & (number > 0)
    calm = np.where(seen, calm, np.where(is_gap, around / np.maximum(number, 1.0), 0.0))
    return Level(calm, is_gap, stitched_mm(samples, calm, net.is_rim))


def piece_skin(skin: Skin, deviation: Deviation, level: Level) -> Skin:
    """The same surface as the piece has it; nominal's where it was not seen, nor anything beside it."""
    is_seen = deviation.is_measured[skin.rows]
    calm = level.calm_mm[skin.rows]
    return replace(
        skin,
        off_mm=np.where(is_seen, deviation.distance_mm[skin.rows], calm),
        calm_mm=calm,
        level_mm=level.points_mm[skin.rows],
        is_seen=is_seen,
        is_gap=level.is_gap[skin.rows],
        nominal=skin,
    )

"""The surface near a rod as one mesh whose every place can be put on the exact faces, nominal's or the piece's."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from worker.measuring.analytic import FaceTable, exact_distance
from worker.passages.records import Rod, Surface
from worker.passages.sweep import STATIONS
from worker.passages.welding import cut_away, joined, weld
from worker.records import Bools, Floats, Ints

LEAST_ANGLE = 0.15  # sine between two faces of one edge, about 9 degrees; below it the edge is a seam, held by one face
STEPS = 3  # of Newton's, onto faces that a facet misses by its sagitta only: the error squares each time


@dataclass(frozen=True, eq=False)
class Skin:
    """Triangles of the surface, joined across edges.

    vertices_mm : (v, 3);  triangles : (t, 3) into them;  normals : (t, 3) unit, out of material
    corner_sample : (t, 3) the sample behind each corner;  face : (t,) of nominal
    offset_mm : (t, 3) of each corner from its exact face
    mate : (t, 3) face across the edge opposite each corner, -1 where the surface goes on smoothly or ends
    mate_offset_mm : (t, 3, 3) of the corners from that face, by edge and corner
    is_seen : (t,) all three corners were measured, on every face that meets there
    whole : all of the surface, which tells where material is, if these triangles are only some of it
    """

    vertices_mm: Floats
    triangles: Ints
    normals: Floats
    corner_sample: Ints
    face: Ints
    offset_mm: Floats
    mate: Ints
    mate_offset_mm: Floats
    is_seen: Bools
    table: FaceTable
    whole: Skin | None = None

    @cached_property
    def corners_mm(self) -> Floats:
        """(t, 3, 3) corners of each triangle in rows."""
        corners: Floats = self.vertices_mm[self.triangles]
        return corners

    @cached_property
    def longest_edge_mm(self) -> Floats:
        """(t,) longest edge of each triangle."""
        return longest_edges(self.corners_mm)

    @cached_property
    def used(self) -> Ints:
        """Vertices that triangles have."""
        return np.unique(self.triangles)

    def part(self, chosen: Bools | Ints) -> Skin:
        """Some of the triangles; vertices keep their numbers."""
        return replace(
            self,
            triangles=self.triangles[chosen],
            normals=self.normals[chosen],
            corner_sample=self.corner_sample[chosen],
            face=self.face[chosen],
            offset_mm=self.offset_mm[chosen],
            mate=self.mate[chosen],
            mate_offset_mm=self.mate_offset_mm[chosen],
            is_seen=self.is_seen[chosen],
        )

    def places(self, triangle: Ints, barycentric: Floats) -> Floats:
        """Places (n, 3) of triangles (n,) by barycentric (n, 3), on the exact faces where those are known.

        Inside a triangle on its face, drawn along with its edges so that nothing of a facet is left beyond
        a round edge; on an edge between two faces (a barycentric of exactly 0) on both.
        """
        placed = np.einsum("ij,ijk->ik", barycentric, self.corners_mm[triangle])
        for edge in range(3):
            is_inside = (barycentric[:, edge] > 0) & (barycentric[:, edge] < 1) & (self.mate[triangle, edge] >= 0)
            rows = np.flatnonzero(is_inside)
            foot = barycentric[rows].copy()
            foot[:, edge] = 0.0
            foot /= foot.sum(axis=1, keepdims=True)
            flat = np.einsum("ij,ijk->ik", foot, self.corners_mm[triangle[rows]])
            drawn = self._on_faces(triangle[rows], foot, flat) - flat
            placed[rows] += (1.0 - barycentric[rows, edge])[:, None] * drawn
        return self._on_faces(triangle, barycentric, placed)

    def _on_faces(self, triangle: Ints, barycentric: Floats, placed: Floats) -> Floats:
        """Places (n, 3) moved the least way on to the face of their triangle, or the two of their edge."""
        is_zero = barycentric == 0.0
        single = np.flatnonzero(is_zero.sum(axis=1) < 2)  # a corner is in its place already
        own, share = triangle[single], barycentric[single]
        edge = np.argmax(is_zero[single], axis=1)
        mate = np.where(is_zero[single].any(axis=1), self.mate[own, edge], -1)
        offset = np.einsum("ij,ij->i", share, self.offset_mm[own])
        other = np.einsum("ij,ij->i", share, self.mate_offset_mm[own, edge])
        place = placed[single]
        for _ in range(STEPS):
            place = self._nearer(place, (self.face[own], offset), (mate, other))
        moved = placed.copy()
        moved[single] = place
        return moved

    def _nearer(self, place: Floats, own: tuple[Ints, Floats], mate: tuple[Ints, Floats]) -> Floats:
        """One step of least length onto one face or two."""
        miss, normal, is_own = self._miss(*own, place)
        other_miss, other_normal, is_mate = self._miss(*mate, place)
        cosine = np.einsum("ij,ij->i", normal, other_normal)
        sine_sq = 1.0 - cosine**2
        is_both = is_own & is_mate & (sine_sq > LEAST_ANGLE**2)
        scale = np.where(is_both, sine_sq, 1.0)
        first = np.where(is_both, (miss - cosine * other_miss) / scale, np.where(is_own, miss, 0.0))
        second = np.where(is_both, (other_miss - cosine * miss) / scale, np.where(is_own, 0.0, other_miss))
        moved: Floats = place - first[:, None] * normal - second[:, None] * other_normal
        return moved

    def _miss(self, face: Ints, offset: Floats, place: Floats) -> tuple[Floats, Floats, Bools]:
        """How far places lie above a face moved by its offset, its normals, and where it is known at all."""
        distance, normal, is_exact = exact_distance(self.table, np.maximum(face, 0), place)
        is_exact &= face >= 0
        return np.where(is_exact, distance - offset, 0.0), np.where(is_exact[:, None], normal, 0.0), is_exact


def skin_near(surface: Surface, rod: Rod, reach_mm: float, is_member: Bools | None = None) -> Skin:
    """The surface within reach of the rod's axis over all of its travel.

    reach_mm : every triangle with a place so near the axis is there
    is_member : (s,) samples that count; a triangle does if all its corners do.  None is all.

    Nothing in reach gives a skin without triangles.
    """
    triangles = surface.samples.triangles
    slack = surface.longest_mm + rod.longest_travel_mm / (2 * (STATIONS - 1)) + 2 * surface.join_mm
    distance = axis_distance(rod, surface.piece_mm, within_mm=reach_mm + float(slack.max()))
    is_close = np.isfinite(distance)
    close = np.flatnonzero(np.logical_or.reduce([is_close[corner] for corner in triangles.T]))
    near = close[distance[triangles[close]].min(axis=1) - slack[close] <= reach_mm]
    skin = _skin(surface, triangles[near])
    if is_member is None:
        return skin
    counts = np.flatnonzero(is_member[skin.corner_sample].all(axis=1))
    return replace(skin.part(counts), whole=None if len(counts) == len(skin.triangles) else skin)


def longest_edges(corners_mm: Floats) -> Floats:
    """Longest edge (t,) of triangles (t, 3, 3)."""
    edges = [((corners_mm[:, k] - corners_mm[:, k - 1]) ** 2).sum(axis=1) for k in range(3)]
    longest: Floats = np.sqrt(np.maximum(np.maximum(edges[0], edges[1]), edges[2]))
    return longest


def axis_distance(rod: Rod, points_mm: Floats, *, within_mm: float = np.inf) -> Floats:
    """Distance (n,) of points (n, 3) from the axis, the least over stations of its travel.

    within_mm : distances larger than that may be given as infinite, unlooked at
    """
    if np.isfinite(within_mm):
        near = _in_box_of(rod, points_mm, within_mm)
        found = np.full(len(points_mm), np.inf)
        found[near] = axis_distance(rod, points_mm[near])
        return found
    best = np.full(len(points_mm), np.inf)
    for travel in np.linspace(0.0, 1.0, 1 if rod.is_still else STATIONS):
        start, end = rod.first_mm + travel * rod.travel_mm
        along, offset = end - start, points_mm - start
        length_sq = float(along @ along)
        share = np.clip(offset @ along / length_sq, 0.0, 1.0) if length_sq > 0 else np.zeros(len(offset))
        gap = offset - share[:, None] * along
        best = np.minimum(best, np.einsum("ij,ij->i", gap, gap))
    nearest: Floats = np.sqrt(best)
    return nearest


def least_axis_distance(rod: Rod, points_mm: Floats, near_mm: float) -> float:
    """Least distance of points (n, 3) from the axis; ``near_mm`` : where it most likely lies below."""
    least = float(axis_distance(rod, points_mm[_in_box_of(rod, points_mm, near_mm)]).min(initial=np.inf))
    return least if least <= near_mm else float(axis_distance(rod, points_mm).min(initial=np.inf))


def _in_box_of(rod: Rod, points_mm: Floats, reach_mm: float) -> Ints:
    """Points (n, 3) in the box about all of the axis' travel, by their number."""
    ends = np.concatenate([rod.first_mm, rod.second_mm, rod.first_mm + rod.travel_mm]).reshape(-1, 3)
    low, high = ends.min(axis=0) - reach_mm, ends.max(axis=0) + reach_mm
    inside = np.ones(len(points_mm), dtype=bool)
    for axis in range(3):
        inside &= (points_mm[:, axis] >= low[axis]) & (points_mm[:, axis] <= high[axis])
    return np.flatnonzero(inside)


def _skin(surface: Surface, triangles: Ints) -> Skin:
    samples = surface.samples
    used = np.unique(triangles)
    place = np.full(len(samples.face), -1, dtype=np.int64)
    place[used] = joined(samples, used, surface.is_rim, surface.join_mm)
    vertices = weld(samples, surface.offset_mm, surface.table, used, place[used])
    is_known = np.bincount(place[used], ~surface.is_seen[used], minlength=len(vertices)) == 0
    is_lost = np.zeros(len(samples.face), dtype=bool)
    is_lost[used] = cut_away(surface, used)
    own = place[triangles]
    kept = (own[:, 0] != own[:, 1]) & (own[:, 1] != own[:, 2]) & (own[:, 2] != own[:, 0])
    kept &= ~is_lost[triangles].any(axis=1)
    own, corner = own[kept], triangles[kept]
    cross = np.cross(vertices[own[:, 1]] - vertices[own[:, 0]], vertices[own[:, 2]] - vertices[own[:, 0]])
    size = np.linalg.norm(cross, axis=1, keepdims=True)
    face = samples.face[corner[:, 0]]
    mate, mate_offset = _mates(own, face, surface.offset_mm[corner])
    return Skin(
        vertices_mm=vertices,
        triangles=own,
        normals=cross / np.where(size > 0, size, 1.0),
        corner_sample=corner,
        face=face,
        offset_mm=surface.offset_mm[corner],
        mate=mate,
        mate_offset_mm=mate_offset,
        is_seen=is_known[own].all(axis=1),
        table=surface.table,
    )


def _mates(triangles: Ints, face: Ints, offset_mm: Floats) -> tuple[Ints, Floats]:
    """Face (t, 3) across the edge opposite each corner where it is another, and the corners' offsets from it."""
    count = len(triangles)
    ends = np.stack([triangles[:, [1, 2]], triangles[:, [2, 0]], triangles[:, [0, 1]]], axis=1).reshape(-1, 2)
    key = ends.min(axis=1) * (int(triangles.max(initial=0)) + 1) + ends.max(axis=1)
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order[1:]] == key[order[:-1]])
    mate, mate_offset = np.full((count, 3), -1, dtype=np.int64), np.zeros((count, 3, 3))
    for one, other in ((order[same], order[same + 1]), (order[same + 1], order[same])):
        own, across = one // 3, other // 3
        differs = face[own] != face[across]
        own, across, edge = own[differs], across[differs], one[differs] % 3
        mate[own, edge] = face[across]
        for corner in range(3):
            is_same = triangles[across] == triangles[own, corner][:, None]
            mate_offset[own, edge, corner] = (offset_mm[across] * is_same).sum(axis=1)
    return mate, mate_offset

"""Closest points and rays on a triangle surface: the one adapter over Open3D's ray-casting scene.

The scene works in float32.  Everything is therefore recentred in float64 before it is handed
over, and the triangle it names is measured again in float64: its face where the foot of the
perpendicular lies well inside, and where it lies near a border that triangle and its neighbours
across the edges, whichever is nearest.  Results do not depend on the number of threads.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from worker.records import Bools, Floats, Ints

CHUNK_POINTS = 1_000_000  # float32 copies live only inside a chunk, so memory stays flat
SLICE_POINTS = 32_768  # of the float64 part: its 12 numbers a point then stay in the cache
BORDER = 1e-4  # barycentric; float32 leaves about 1e-5 mm, 1e-4 of a 0.1 mm triangle
LEAST_SLOPE = 1e-3  # a ray flatter than that against its triangle loses more by division than float32 did
SLIVER = 1e-7  # area over squared longest edge; thinner triangles have no trustworthy plane


@dataclass(frozen=True, eq=False)
class Closest:
    """Nearest place of the surface for each query point.

    triangle : (n,) int64
    point_mm : (n, 3) float64, mm, frame of the surface
    distance_mm : (n,) float64, unsigned
    barycentric : (n, 3) float64 on that triangle; exactly 0 where an edge or corner is nearest
    """

    triangle: Ints
    point_mm: Floats
    distance_mm: Floats
    barycentric: Floats


@dataclass(frozen=True, eq=False)
class SignedClosest(Closest):
    """Closest, with the side.

    signed_mm : (n,) distance, > 0 outside material (in front of the surface)
    normal : (n, 3) unit; the angle-weighted pseudo-normal of the face, edge or corner hit
    """

    signed_mm: Floats
    normal: Floats


@dataclass(frozen=True, eq=False)
class RayHits:
    """First hit of each ray.

    triangle : (n,) int64, -1 without a hit
    distance_mm : (n,) float64 along the ray, meaningless without a hit
    is_hit : (n,)
    """

    triangle: Ints
    distance_mm: Floats
    is_hit: Bools


class SurfaceQuery:
    """A triangle surface that answers nearest-point and ray questions to float64.

    vertices_mm : (v, 3) float64, mm, any frame; merged, so that neighbours share vertices
    triangles : (m, 3) int64, counter-clockwise seen from outside
    thread_count : threads of the kernel, 0 for all; the answers are bit-equal for any

    Raises
    ------
    ValueError
        If no triangle has an area: an empty scene would answer with the distance to the origin.

    """

    def __init__(self, vertices_mm: Floats, triangles: Ints, *, thread_count: int = 0) -> None:
        self.vertices_mm = np.ascontiguousarray(vertices_mm, dtype=np.float64)
        self.triangles = np.ascontiguousarray(triangles, dtype=np.int64)
        self._thread_count = thread_count
        self._planes, area, longest_sq = _planes(self.vertices_mm, self.triangles)
        self.area_mm2 = area
        self._is_sliver = area < SLIVER * longest_sq
        kept = np.flatnonzero(area > 0)
        if not len(kept):
            raise ValueError("a surface needs at least one triangle with an area")
        used = self.vertices_mm[self.triangles[kept].ravel()]
        self._centre_mm = (used.min(axis=0) + used.max(axis=0)) / 2
        self._kept = None if len(kept) == len(self.triangles) else kept
        self._scene = _scene(self.vertices_mm - self._centre_mm, self.triangles[kept])

    @property
    def face_normals(self) -> Floats:
        """(m, 3) unit normal of each triangle, out of material; zero where it has no area."""
        return self._planes[:, 3:6]

    def closest(self, points_mm: Floats) -> Closest:
        """Nearest place of the surface.

        points_mm : (n, 3) float64, mm, frame of the surface; none gives empty arrays

        Returns the place, its triangle and the unsigned distance; objective: least distance.
        """
        points_mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
        count = len(points_mm)
        triangle, barycentric = np.empty(count, dtype=np.int64), np.empty((count, 3))
        point, distance = np.empty((count, 3)), np.empty(count)
        for part in _chunks(count):
            triangle[part], barycentric[part], point[part], distance[part] = self._closest(points_mm[part])
        return Closest(triangle, point, distance, barycentric)

    def signed(self, points_mm: Floats) -> SignedClosest:
        """Nearest place with its side, right at edges and corners and on open surfaces.

        points_mm : (n, 3) float64, mm, frame of the surface; none gives empty arrays

        The sign is that of the angle-weighted pseudo-normal of the feature hit (J. A. Baerentzen,
        H. Aanaes, Signed distance computation using the angle weighted pseudonormal, IEEE TVCG
        11(3), 2005).
        """
        points_mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
        found = self.closest(points_mm)
        normal = self.normal_at(found.triangle, found.barycentric)
        side = np.einsum("ij,ij->i", points_mm - found.point_mm, normal)
        signed = np.where(side < 0, -found.distance_mm, found.distance_mm)
        return SignedClosest(
            found.triangle, found.point_mm, found.distance_mm, found.barycentric, signed_mm=signed, normal=normal
        )

    def normal_at(self, triangle: Ints, barycentric: Floats) -> Floats:
        """Pseudo-normal (n, 3) of the face, edge or corner that a barycentric with exact zeros names."""
        normal = self.face_normals[triangle]
        row = np.flatnonzero(least_of_three(barycentric) == 0.0)
        if len(row):
            zero_count = (barycentric[row] == 0.0).sum(axis=1)
            edge, corner = row[zero_count == 1], row[zero_count >= 2]
            opposite = np.argmin(barycentric[edge], axis=1)
            normal[edge] = self._edge_normals[triangle[edge], opposite]
            nearest = np.argmax(barycentric[corner], axis=1)
            normal[corner] = self._vertex_normals[self.triangles[triangle[corner], nearest]]
        return normal

    def cast(self, origins_mm: Floats, directions: Floats) -> RayHits:
        """First hit of each ray; a miss is no data, not a zero.

        origins_mm : (n, 3) float64, mm;  directions : (n, 3), any length but zero

        The distance is solved again in float64 from the plane of the triangle hit.
        """
        origins_mm = np.asarray(origins_mm, dtype=np.float64).reshape(-1, 3)
        directions = np.asarray(directions, dtype=np.float64).reshape(-1, 3)
        count = len(origins_mm)
        triangle, distance = np.full(count, -1, dtype=np.int64), np.zeros(count)
        for part in _chunks(count):
            triangle[part], distance[part] = self._cast(origins_mm[part], directions[part])
        return RayHits(triangle, distance, triangle >= 0)

    def _cast(self, origins_mm: Floats, directions: Floats) -> tuple[Ints, Floats]:
        count = len(origins_mm)
        unit, rays = np.empty((count, 3)), np.empty((count, 6), dtype=np.float32)

        def prepare(part: slice) -> None:
            length = np.sqrt(np.einsum("ij,ij->i", directions[part], directions[part]))
            rays[part, :3] = origins_mm[part] - self._centre_mm
            rays[part, 3:] = unit[part] = directions[part] / length[:, None]

        self._in_slices(prepare, count)
        answer = self._scene.cast_rays(_tensor(rays), nthreads=self._thread_count)
        rough, primitive = answer["t_hit"].numpy(), answer["primitive_ids"].numpy()
        triangle, distance = np.empty(count, dtype=np.int64), np.empty(count)

        def solve(part: slice) -> None:
            is_hit = np.isfinite(rough[part])
            hit = self._own_index(np.where(is_hit, primitive[part], 0))
            plane = self._planes[hit, :6]
            slope = np.einsum("ij,ij->i", unit[part], plane[:, 3:])
            height = np.einsum("ij,ij->i", plane[:, :3] - origins_mm[part], plane[:, 3:])
            solved = np.divide(height, slope, out=rough[part].astype(np.float64), where=np.abs(slope) > LEAST_SLOPE)
            triangle[part], distance[part] = np.where(is_hit, hit, -1), np.where(is_hit, solved, 0.0)

        self._in_slices(solve, count)
        return triangle, distance

    def _in_slices(self, work: Callable[[slice], None], count: int) -> None:
        """Run ``work`` over slices that fit the cache, on as many threads as the kernel may use."""
        slices = [slice(start, min(start + SLICE_POINTS, count)) for start in range(0, count, SLICE_POINTS)]
        if len(slices) < 2 or self._thread_count == 1:
            for part in slices:
                work(part)
            return
        with ThreadPoolExecutor(max_workers=self._thread_count or os.cpu_count()) as pool:
            list(pool.map(work, slices))

    def _own_index(self, primitive: Any) -> Ints:
        index: Ints = primitive.astype(np.int64)
        return index if self._kept is None else self._kept[index]

    def _closest(self, points_mm: Floats) -> tuple[Ints, Floats, Floats, Floats]:
        """One chunk: the kernel names the triangle, float64 measures it."""
        query = (points_mm - self._centre_mm).astype(np.float32)
        answer = self._scene.compute_closest_points(_tensor(query), nthreads=self._thread_count)
        primitive, count = answer["primitive_ids"].numpy(), len(points_mm)
        triangle, barycentric = np.empty(count, dtype=np.int64), np.empty((count, 3))
        point, distance = np.empty((count, 3)), np.empty(count)

        def measure(part: slice) -> None:
            own = self._own_index(primitive[part])
            plane = self._planes[own]
            offset = points_mm[part] - plane[:, :3]
            height = np.einsum("ij,ij->i", offset, plane[:, 3:6])
            second = np.einsum("ij,ij->i", offset, plane[:, 6:9])
            third = np.einsum("ij,ij->i", offset, plane[:, 9:])
            triangle[part], distance[part] = own, np.abs(height)
            barycentric[part] = np.stack([1.0 - second - third, second, third], axis=1)
            point[part] = points_mm[part] - height[:, None] * plane[:, 3:6]

        self._in_slices(measure, count)
        near = np.flatnonzero((barycentric.min(axis=1) < BORDER) | self._is_sliver[triangle])
        if len(near):
            best = self._closest_near_border(points_mm[near], triangle[near])
            triangle[near], barycentric[near], point[near], distance[near] = best
        return triangle, barycentric, point, distance

    def _closest_near_border(self, points_mm: Floats, triangle: Ints) -> tuple[Ints, Floats, Floats, Floats]:
        """The named triangle against its three neighbours; the first of equals wins."""
        best = triangle.copy()
        barycentric, point, distance = self._measure(points_mm, best)
        for side in range(3):
            other = self._neighbours[triangle, side]
            row = np.flatnonzero(other >= 0)
            other_barycentric, other_point, other_distance = self._measure(points_mm[row], other[row])
            is_nearer = other_distance < distance[row]
            won = row[is_nearer]
            best[won], barycentric[won] = other[won], other_barycentric[is_nearer]
            point[won], distance[won] = other_point[is_nearer], other_distance[is_nearer]
        return best, barycentric, point, distance

    def _measure(self, points_mm: Floats, triangle: Ints) -> tuple[Floats, Floats, Floats]:
        corners = self.vertices_mm[self.triangles[triangle]]
        barycentric = closest_barycentric(points_mm, corners)
        point = np.einsum("ij,ijk->ik", barycentric, corners)
        gap = points_mm - point
        return barycentric, point, np.sqrt(np.einsum("ij,ij->i", gap, gap))

    @cached_property
    def _edges(self) -> tuple[Ints, Ints]:
        """Half-edges sorted so that those of one edge are neighbours: (order, first index of each run)."""
        ends = np.stack([self.triangles[:, [1, 2]], self.triangles[:, [2, 0]], self.triangles[:, [0, 1]]], axis=1)
        ends = ends.reshape(-1, 2)
        key = ends.min(axis=1) * len(self.vertices_mm) + ends.max(axis=1)
        order = np.argsort(key, kind="stable")
        ordered = key[order]
        return order, np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])

    @cached_property
    def _neighbours(self) -> Ints:
        """(m, 3) triangle across the edge opposite each corner, -1 at a border."""
        order, first = self._edges
        following = np.arange(1, len(order) + 1)
        following[np.r_[first[1:], len(order)] - 1] = first
        neighbour = np.empty(len(order), dtype=np.int64)
        neighbour[order] = order[following] // 3
        neighbour[neighbour == np.arange(len(order)) // 3] = -1
        return neighbour.reshape(-1, 3)

    @cached_property
    def _edge_normals(self) -> Floats:
        """(m, 3, 3) unit normal of the edge opposite each corner: the sum over its faces."""
        order, first = self._edges
        total = np.add.reduceat(self.face_normals[order // 3], first, axis=0)
        run = np.zeros(len(order), dtype=np.int64)
        run[first[1:]] = 1
        normal = np.empty((len(order), 3))
        normal[order] = _unit(total)[np.cumsum(run)]
        return normal.reshape(-1, 3, 3)

    @cached_property
    def _vertex_normals(self) -> Floats:
        """(v, 3) unit angle-weighted normals."""
        return vertex_normals(self.vertices_mm, self.triangles, self.face_normals)


def least_of_three(values: Floats) -> Floats:
    """Least of each row (n,) of (n, 3); by columns, many times faster than along rows."""
    return np.minimum(np.minimum(values[:, 0], values[:, 1]), values[:, 2])


def vertex_normals(vertices_mm: Floats, triangles: Ints, face_normals: Floats) -> Floats:
    """Angle-weighted unit normals (v, 3); zero for a vertex of no triangle.

    vertices_mm : (v, 3) mm;  triangles : (m, 3);  face_normals : (m, 3) unit
    """
    corners = vertices_mm[triangles]
    total = np.zeros((len(vertices_mm), 3))
    for corner in range(3):
        ahead = _unit(corners[:, (corner + 1) % 3] - corners[:, corner])
        behind = _unit(corners[:, (corner + 2) % 3] - corners[:, corner])
        angle = np.arccos(np.clip(np.einsum("ij,ij->i", ahead, behind), -1.0, 1.0))
        for axis in range(3):
            weight = angle * face_normals[:, axis]
            total[:, axis] += np.bincount(triangles[:, corner], weight, minlength=len(vertices_mm))
    return _unit(total)


def closest_barycentric(points_mm: Floats, corners_mm: Floats) -> Floats:
    """Barycentric (n, 3) of the point of each triangle nearest each point, exact zeros on its border.

    points_mm : (n, 3);  corners_mm : (n, 3, 3), triangle n's corners in rows

    The foot of the perpendicular where it lies inside, else the nearest of the three segments.
    """
    first, edge_b, edge_c = corners_mm[:, 0], corners_mm[:, 1] - corners_mm[:, 0], corners_mm[:, 2] - corners_mm[:, 0]
    normal = np.cross(edge_b, edge_c)
    normal_sq = np.einsum("ij,ij->i", normal, normal)
    offset = points_mm - first
    scale = np.where(normal_sq > 0, normal_sq, 1.0)
    second = np.einsum("ij,ij->i", np.cross(offset, edge_c), normal) / scale
    third = np.einsum("ij,ij->i", np.cross(edge_b, offset), normal) / scale
    barycentric = np.stack([1.0 - second - third, second, third], axis=1)
    outside = np.flatnonzero((barycentric.min(axis=1) <= 0) | (normal_sq <= 0))
    barycentric[outside] = _nearest_on_sides(points_mm[outside], corners_mm[outside])
    return barycentric


def _nearest_on_sides(points_mm: Floats, corners_mm: Floats) -> Floats:
    best = np.full(len(points_mm), np.inf)
    barycentric = np.zeros((len(points_mm), 3))
    for start, end in ((0, 1), (1, 2), (2, 0)):
        along = corners_mm[:, end] - corners_mm[:, start]
        length_sq = np.einsum("ij,ij->i", along, along)
        offset = points_mm - corners_mm[:, start]
        share = np.einsum("ij,ij->i", offset, along) / np.where(length_sq > 0, length_sq, 1.0)
        share = np.clip(share, 0.0, 1.0)
        gap = offset - share[:, None] * along
        gap_sq = np.einsum("ij,ij->i", gap, gap)
        won = gap_sq < best
        best[won] = gap_sq[won]
        barycentric[won] = 0.0
        barycentric[won, start] = 1.0 - share[won]
        barycentric[won, end] = share[won]
    return barycentric


def _planes(vertices_mm: Floats, triangles: Ints) -> tuple[Floats, Floats, Floats]:
    """Per triangle (m, 12): corner, unit normal, and the two vectors whose products are barycentrics 1 and 2."""
    corner = vertices_mm[triangles[:, 0]]
    edge_b, edge_c = vertices_mm[triangles[:, 1]] - corner, vertices_mm[triangles[:, 2]] - corner
    cross = np.cross(edge_b, edge_c)
    cross_sq = np.einsum("ij,ij->i", cross, cross)
    size = np.sqrt(cross_sq)
    scale = np.where(cross_sq > 0, cross_sq, 1.0)[:, None]
    normal = cross / np.sqrt(scale)
    planes = np.concatenate([corner, normal, np.cross(edge_c, cross) / scale, np.cross(cross, edge_b) / scale], axis=1)
    edge_a = edge_c - edge_b
    longest_sq = np.maximum.reduce([np.einsum("ij,ij->i", edge, edge) for edge in (edge_a, edge_b, edge_c)])
    return planes, size / 2, longest_sq


def _unit(vectors: Floats) -> Floats:
    length = np.sqrt(np.einsum("ij,ij->i", vectors, vectors))
    unit: Floats = vectors / np.where(length > 0, length, 1.0)[:, None]
    return unit


def _chunks(count: int) -> Iterator[slice]:
    for start in range(0, count, CHUNK_POINTS):
        yield slice(start, min(start + CHUNK_POINTS, count))


def _tensor(array: Any) -> Any:
    import open3d  # noqa: PLC0415  heavy and native: loaded only in the process that measures

    return open3d.core.Tensor.from_numpy(np.ascontiguousarray(array))


def _scene(vertices_mm: Floats, triangles: Ints) -> Any:
    import open3d  # noqa: PLC0415  heavy and native: loaded only in the process that measures

    scene = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(_tensor(vertices_mm.astype(np.float32)), _tensor(triangles.astype(np.uint32)))
    return scene

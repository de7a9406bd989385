"""Least distance between two meshes, and how deep they interfere.

The one adapter over python-fcl, whose search over trees of boxes names the nearest places in float64
(E. Larsen et al., Fast distance queries with rectangular swept sphere volumes, ICRA 2000).  Its answers agreed with
all pairs of triangles measured by brute force, turned, far off and slivered alike; a test keeps watch.
It knows surfaces only: that one body lies wholly inside the other is seen here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from worker.mockup.meshes import Mesh, cut_out
from worker.records import Bools, Floats, Ints
from worker.rigid import RigidTransform

TOUCH_MM = 1e-9  # nearer than that is contact
DEPTH_ROUNDS = 6  # triangles are quartered while they may hold a deeper point; each round halves them
DEPTH_KEPT = 400  # at most so many go on: of a flat contact any of them tells the depth
DEPTH_CORNERS = 200  # of the most hopeful: corners of parts are often what is deepest
DEPTH_STEP_MM = 0.02  # a triangle this small tells its depth well enough for an estimate


@dataclass(frozen=True, eq=False)
class Gap:
    """Clearance between two meshes at one place of theirs.

    clearance_mm : least distance; below nothing, how deep the deepest point of either surface lies in the other
    first_mm, second_mm : (3,) the two nearest places, or the deepest point and the surface nearest to it
    direction : (3,) unit, from the second body to the first: a shift of the first along it adds to the clearance
    first_triangle, second_triangle : where those places lie, -1 where they lie inside
    """

    clearance_mm: float
    first_mm: Floats
    second_mm: Floats
    direction: Floats
    first_triangle: int
    second_triangle: int


@dataclass(frozen=True, eq=False)
class Target:
    """What clearance is measured to.

    surface : the mesh that counts, in its own frame
    whole : the closed surface it is part of, which tells inside from outside; the mesh itself if it is whole
    is_counted : (m,) triangles of ``whole`` that the surface consists of; None for all
    part_of : the target that this one was cut from; the sources of its meshes are the triangles there
    """

    surface: Mesh
    whole: Mesh
    is_counted: Bools | None = None
    part_of: Target | None = None

    @classmethod
    def all_of(cls, mesh: Mesh) -> Target:
        """A whole mesh."""
        return cls(mesh, mesh)

    @property
    def is_solid(self) -> bool:
        """Whether the surface tells inside from outside."""
        return self.whole.is_closed if self.part_of is None else self.part_of.is_solid

    def about(self, box_mm: Floats) -> Target | None:
        """What of it meets a box (2, 3); None where nothing that counts does."""
        surface, whole = (cut_out(mesh, mesh.within(box_mm)) for mesh in (self.surface, self.whole))
        if surface is None or whole is None:
            return None
        if self.surface is self.whole:
            return Target(whole, whole, None, self)
        counted = None if self.is_counted is None else self.is_counted[whole.source]
        return Target(surface, whole, counted, self)

    def told(self, gap: Gap) -> Gap:
        """The same with the triangle's number in what this target was cut from."""
        if self.part_of is None or gap.second_triangle < 0:
            return gap
        mesh = self.surface if gap.clearance_mm >= 0 else self.whole
        return replace(gap, second_triangle=int(mesh.source[gap.second_triangle]))


def gap_between(first: Mesh, target: Target, T_target_first: RigidTransform) -> Gap:
    """Clearance of a body, placed in the frame of its target, from it."""
    near = _nearest(first, target.surface, T_target_first)
    if near.clearance_mm > TOUCH_MM and not _is_inside(first, target, T_target_first, near.first_mm):
        return near
    deepest = _deepest(first, target, T_target_first)
    return deepest or near


def _nearest(first: Mesh, second: Mesh, T_second_first: RigidTransform) -> Gap:
    import fcl  # noqa: PLC0415  native: loaded only in the process that measures

    def placed(mesh: Mesh, at: RigidTransform) -> Any:
        return fcl.CollisionObject(mesh.model, fcl.Transform(at.rotation, at.translation_mm))

    result = fcl.DistanceResult()
    own, other = placed(first, T_second_first), placed(second, RigidTransform.identity())
    distance = float(fcl.distance(own, other, fcl.DistanceRequest(enable_nearest_points=True), result))
    if distance <= TOUCH_MM:
        corner = T_second_first.apply(first.corners_mm[result.b1, 0])
        return Gap(0.0, corner, corner, second.query.face_normals[result.b2], int(result.b1), int(result.b2))
    own_mm, other_mm = (np.asarray(point, dtype=np.float64) for point in result.nearest_points)
    return Gap(distance, own_mm, other_mm, (own_mm - other_mm) / distance, int(result.b1), int(result.b2))


def _is_inside(first: Mesh, target: Target, T_target_first: RigidTransform, nearest_mm: Floats) -> bool:
    """Whether a part of one lies wholly within the other, their surfaces apart.

    nearest_mm : (3,) the place of the first body nearest the target, which stands for all of it if it is in one piece
    """
    if target.is_solid:
        probes = T_target_first.apply(first.probes_mm) if len(first.probes_mm) > 1 else nearest_mm[None]
        probes = _in_box(probes, target.whole.box_mm)
        if len(probes) and (target.whole.query.signed(probes).signed_mm < -TOUCH_MM).any():
            return True
    if not first.is_closed:
        return False
    probes = _in_box(T_target_first.inverse().apply(target.surface.probes_mm), first.box_mm)
    return bool(len(probes) and (first.query.signed(probes).signed_mm < -TOUCH_MM).any())


def _in_box(points_mm: Floats, box_mm: Floats) -> Floats:
    inside: Floats = points_mm[((points_mm >= box_mm[0]) & (points_mm <= box_mm[1])).all(axis=1)]
    return inside


def _deepest(first: Mesh, target: Target, T_target_first: RigidTransform) -> Gap | None:
    """The deepest point of either surface inside the other; None where none is deeper than a touch."""
    T_first_target = T_target_first.inverse()
    own = _moved(first, np.arange(len(first.triangles)), T_target_first)
    low, high = own.min(axis=1), own.max(axis=1)
    meets = ((low <= target.whole.box_mm[1]) & (high >= target.whole.box_mm[0])).all(axis=1)
    into = _deepest_of(own[meets], target.whole, target.is_counted)
    onto = None
    if first.is_closed:
        near = target.surface.within(np.stack([low.min(axis=0), high.max(axis=0)]))
        onto = _deepest_of(_moved(target.surface, near, T_first_target), first, None)
    if into is not None and (onto is None or into[0] >= onto[0]):
        depth, point, surface, triangle = into
        return Gap(-depth, point, surface, (surface - point) / depth, -1, triangle)
    if onto is None:
        return None
    depth, point, surface, triangle = onto
    inner, outer = T_target_first.apply(point), T_target_first.apply(surface)
    return Gap(-depth, outer, inner, (inner - outer) / depth, triangle, -1)


def _moved(mesh: Mesh, triangles: Ints, motion: RigidTransform) -> Floats:
    """Corners (n, 3, 3) of some triangles, moved."""
    return motion.apply(mesh.corners_mm[triangles].reshape(-1, 3)).reshape(-1, 3, 3)


Deep = tuple[float, Floats, Floats, int]


def _deepest_of(triangles: Floats, other: Mesh, is_counted: Bools | None) -> Deep | None:
    """(depth, point, nearest place, its triangle) of the point of triangles (m, 3, 3) deepest inside another mesh.

    Triangles that may hold a deeper point than is known, by the depth of their middle and their reach, are quartered.
    """
    best: Deep | None = None
    for _ in range(DEPTH_ROUNDS):
        if not len(triangles):
            break
        middle = triangles.mean(axis=1)
        best, depth = _deeper(middle, other, is_counted, best)
        reach = np.linalg.norm(triangles - middle[:, None], axis=2).max(axis=1)
        hope = depth + reach
        order = np.argsort(-hope, kind="stable")
        best, _ = _deeper(triangles[order[:DEPTH_CORNERS]].reshape(-1, 3), other, is_counted, best)
        found = TOUCH_MM if best is None else best[0]
        kept = order[(hope[order] > found + DEPTH_STEP_MM / 10) & (reach[order] > DEPTH_STEP_MM)]
        triangles = _quartered(triangles[kept[:DEPTH_KEPT]])
    return best


def _deeper(points_mm: Floats, other: Mesh, is_counted: Bools | None, best: Deep | None) -> tuple[Deep | None, Floats]:
    """The better of ``best`` and the deepest of points (n, 3), and the depth (n,) of each, below nothing outside."""
    near = other.query.signed(points_mm)
    depth = -near.signed_mm
    counted = depth if is_counted is None else np.where(is_counted[near.triangle], depth, -np.abs(depth))
    at = int(np.argmax(counted))
    if counted[at] > (TOUCH_MM if best is None else best[0]):
        best = (float(counted[at]), points_mm[at], near.point_mm[at], int(near.triangle[at]))
    return best, depth


def _quartered(triangles: Floats) -> Floats:
    """Four quarters (4 k, 3, 3) of triangles (k, 3, 3)."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    parts = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return np.concatenate([np.stack(part, axis=1) for part in parts])

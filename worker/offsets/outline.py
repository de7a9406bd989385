"""The outline in which a plane cuts a sheet, and its centroid."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from worker.records import Bools, Floats, Ints

ON_PLANE_MM = 1e-7  # corners this near lie on the plane; rounding must not put two of one place on two sides
WIDEST_GAP_SHARE = 0.1  # of the outline: a hole in its wall is bridged straight, more is no outline; common practice
LEAST_SLOPE = 0.05  # sine between wall and plane: flatter walls are cut at a place nobody can tell


@dataclass(frozen=True, eq=False)
class CuttingPlane:
    """A plane through ``point_mm`` (3,) square to the unit ``normal`` (3,)."""

    point_mm: Floats
    normal: Floats

    @cached_property
    def basis(self) -> Floats:
        """(2, 3) unit directions in the plane, right-handed with its normal."""
        least = np.eye(3)[int(np.argmin(np.abs(self.normal)))]
        first = np.cross(self.normal, least)
        first = first / np.linalg.norm(first)
        return np.stack([first, np.cross(self.normal, first)])

    def flat(self, points_mm: Floats) -> Floats:
        """Coordinates (n, 2), mm, in the plane about its point."""
        placed: Floats = (points_mm - self.point_mm) @ self.basis.T
        return placed

    def moved(self, about_mm: Floats, motion: Floats) -> CuttingPlane:
        """Shifted along its normal by ``motion[0]`` mm, and its normal leaned by ``motion[1:]`` rad toward its basis.

        about_mm : (3,) a point of it that only the shift moves
        """
        normal = self.normal + motion[1:] @ self.basis
        return CuttingPlane(about_mm + motion[0] * self.normal, normal / np.linalg.norm(normal))


@dataclass(frozen=True, eq=False)
class Outline:
    """One closed outline of a section.

    points_mm : (n, 3) in order
    ends : (n, 2) int64, the corners between which each point lies;  share : (n,) of the way from first to second
    is_bridge : (n,) whether the step from each point to the next crosses a gap of the surface
    area_mm2 : within it;  centroid_mm : (3,) of that area
    """

    points_mm: Floats
    ends: Ints
    share: Floats
    is_bridge: Bools
    area_mm2: float
    centroid_mm: Floats

    @property
    def steps_mm(self) -> Floats:
        """Length (n,) from each point to the next."""
        length: Floats = np.linalg.norm(np.roll(self.points_mm, -1, axis=0) - self.points_mm, axis=1)
        return length

    @property
    def gap_share(self) -> float:
        """Bridged share of its length."""
        steps = self.steps_mm
        return float(steps[self.is_bridge].sum() / steps.sum())

    @property
    def weight_mm(self) -> Floats:
        """Length (n,) of surface each point stands for: half of both steps that are no bridges."""
        steps = np.where(self.is_bridge, 0.0, self.steps_mm)
        stood: Floats = (steps + np.roll(steps, 1)) / 2
        return stood

    def at(self, values: Floats) -> Floats:
        """Values (p,) or (p, d) of corners at its points (n,) or (n, d)."""
        share = self.share if values.ndim == 1 else self.share[:, None]
        found: Floats = (1 - share) * values[self.ends[:, 0]] + share * values[self.ends[:, 1]]
        return found

    def holds(self, point_mm: Floats, plane: CuttingPlane) -> bool:
        """Whether it runs round a point of the plane."""
        arm = plane.flat(self.points_mm) - plane.flat(point_mm[None])
        follow = np.roll(arm, -1, axis=0)
        turn = np.arctan2(arm[:, 0] * follow[:, 1] - arm[:, 1] * follow[:, 0], (arm * follow).sum(axis=1))
        return abs(float(turn.sum())) > np.pi


def outlines(corners_mm: Floats, triangles: Ints, plane: CuttingPlane) -> tuple[Outline, ...]:
    """All outlines of a section, largest first; those of more gap than surface are none.

    corners_mm : (p, 3), triangles : (t, 3) of a sheet

    Loose ends, as at a hole through the wall, are bridged straight to the nearest.  What is bridged for
    more than a tenth of its length is told by ``gap_share``.
    """
    height = (corners_mm - plane.point_mm) @ plane.normal
    is_up = height > -ON_PLANE_MM
    cut = triangles[(is_up[triangles].sum(axis=1) % 3) != 0]
    if not len(cut):
        return ()
    starts, ends = _crossings(cut, is_up)
    met = _Meeting(corners_mm, height)
    found = []
    for loop in _closed(_chains(starts, ends), starts, ends, met):
        outline = _outline(loop, met, plane)
        if outline is not None:
            found.append(outline)
    return tuple(sorted(found, key=lambda one: -one.area_mm2))


def polygon_centroid(points: Floats) -> tuple[float, Floats]:
    """Area (signed, > 0 counter-clockwise) and centroid (2,) of a polygon (n, 2); the mean where it has no area."""
    middle = points.mean(axis=0)
    own = points - middle
    follow = np.roll(own, -1, axis=0)
    cross = own[:, 0] * follow[:, 1] - own[:, 1] * follow[:, 0]
    area = float(cross.sum() / 2)
    if abs(area) < 1e-12:
        return 0.0, middle
    centroid: Floats = middle + ((own + follow) * cross[:, None]).sum(axis=0) / (6 * area)
    return area, centroid


def chosen_outline(found: tuple[Outline, ...], near_mm: Floats, plane: CuttingPlane) -> Outline | None:
    """The largest outline round a point (3,), else the one whose centroid lies nearest it; None of none."""
    for outline in found:
        if outline.holds(near_mm, plane):
            return outline
    return min(found, key=lambda one: float(np.linalg.norm(one.centroid_mm - near_mm)), default=None)


def centroid_influence(outline: Outline, corner_normals: Floats, plane: CuttingPlane) -> Floats:
    """How far the centroid moves (n, 2), in the plane, for a unit of deviation at each point of the outline.

    corner_normals : (p, 3) unit, out of material

    Moving a boundary by d along its normal moves the centroid of an area A by the integral of (x - c) d / A
    along it (Reynolds' transport theorem); material outside nominal narrows an outline round a hollow.
    """
    normals = outline.at(corner_normals)
    across = normals @ plane.basis.T
    slope = np.maximum(np.linalg.norm(across, axis=1), LEAST_SLOPE)
    arm = plane.flat(outline.points_mm) - plane.flat(outline.centroid_mm[None])
    outward = 1.0 if float((arm * across * outline.weight_mm[:, None]).sum()) > 0 else -1.0
    moved: Floats = outward * arm * (outline.weight_mm / (outline.area_mm2 * slope))[:, None]
    return moved


def _crossings(cut: Ints, is_up: Bools) -> tuple[Ints, Ints]:
    """Edges (n, 2), from the upper corner to the lower, where each triangle's piece of outline begins and ends."""
    following = np.roll(cut, -1, axis=1)
    up, up_next = is_up[cut], is_up[following]
    rows = np.arange(len(cut))
    down_at, rise_at = np.argmax(up & ~up_next, axis=1), np.argmax(~up & up_next, axis=1)
    starts = np.stack([cut[rows, down_at], following[rows, down_at]], axis=1)
    ends = np.stack([following[rows, rise_at], cut[rows, rise_at]], axis=1)
    return starts, ends


def _chains(starts: Ints, ends: Ints) -> list[tuple[list[int], bool]]:
    """Pieces in order, and whether they close upon themselves."""
    scale = int(max(starts.max(), ends.max())) + 1
    begins = {int(key): row for row, key in reversed(list(enumerate(starts[:, 0] * scale + starts[:, 1])))}
    follower = [begins.get(int(key), -1) for key in ends[:, 0] * scale + ends[:, 1]]
    has_leader = np.zeros(len(starts), dtype=bool)
    has_leader[[row for row in follower if row >= 0]] = True
    order = [*np.flatnonzero(~has_leader).tolist(), *np.flatnonzero(has_leader).tolist()]
    used = np.zeros(len(starts), dtype=bool)
    chains: list[tuple[list[int], bool]] = []
    for first in order:
        chain: list[int] = []
        at = first
        while at >= 0 and not used[at]:
            used[at] = True
            chain.append(at)
            at = follower[at]
        if chain:
            chains.append((chain, at == first))
    return chains


@dataclass(frozen=True, eq=False)
class _Meeting:
    """Where edges cross the plane."""

    corners_mm: Floats
    height: Floats

    def share(self, edges: Ints) -> Floats:
        upper, lower = self.height[edges[:, 0]], self.height[edges[:, 1]]
        drop = upper - lower
        share: Floats = np.clip(np.divide(upper, drop, out=np.zeros_like(drop), where=drop > 0), 0.0, 1.0)
        return share

    def points(self, edges: Ints) -> Floats:
        share = self.share(edges)[:, None]
        met: Floats = (1 - share) * self.corners_mm[edges[:, 0]] + share * self.corners_mm[edges[:, 1]]
        return met


@dataclass(frozen=True, eq=False)
class _Loop:
    edges: Ints
    is_bridge: Bools


def _closed(chains: list[tuple[list[int], bool]], starts: Ints, ends: Ints, met: _Meeting) -> list[_Loop]:
    """Closed loops: those that are, and the open ones joined end to nearest start."""
    loops = [_Loop(starts[chain], np.zeros(len(chain), dtype=bool)) for chain, is_closed in chains if is_closed]
    loose = [np.concatenate([starts[chain], ends[chain[-1:]]]) for chain, is_closed in chains if not is_closed]
    if not loose:
        return loops
    heads = met.points(np.array([edges[0] for edges in loose]))
    tails = met.points(np.array([edges[-1] for edges in loose]))
    follower = _nearest_pairs(tails, heads)
    waiting = set(range(len(loose)))
    while waiting:
        at = min(waiting)
        members = []
        while at in waiting:
            waiting.discard(at)
            members.append(loose[at])
            at = int(follower[at])
        edges = np.concatenate(members)
        is_bridge = np.zeros(len(edges), dtype=bool)
        is_bridge[np.cumsum([len(part) for part in members]) - 1] = True
        loops.append(_Loop(edges, is_bridge))
    return loops


def _nearest_pairs(tails: Floats, heads: Floats) -> Ints:
    """The head (n,) each tail goes to, one each, nearest first."""
    gap = np.linalg.norm(tails[:, None] - heads[None], axis=2)
    follower = np.full(len(tails), -1, dtype=np.int64)
    taken = np.zeros(len(heads), dtype=bool)
    for flat in np.argsort(gap, axis=None, kind="stable"):
        tail, head = divmod(int(flat), len(heads))
        if follower[tail] < 0 and not taken[head]:
            follower[tail], taken[head] = head, True
    return follower


def _outline(loop: _Loop, met: _Meeting, plane: CuttingPlane) -> Outline | None:
    points = met.points(loop.edges)
    area, centroid = polygon_centroid(plane.flat(points))
    if len(points) < 3 or area == 0.0:
        return None
    middle = plane.point_mm + centroid @ plane.basis
    return Outline(points, loop.edges, met.share(loop.edges), loop.is_bridge, abs(area), middle)

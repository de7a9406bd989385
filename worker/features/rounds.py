"""How far a round patch reaches along its axis and round it, and whether its ends are open.

An end is judged by its rim, all round: where the neighbouring surface leaves the rim towards the
axis something caps it, where it leaves outward the end is open.  So a counterbore whose floor has a
smaller hole in it is blind, and the smaller hole is open at both ends.  Where the neighbours carry
straight on, as a ball-nosed bottom or a bent passage does, a ray along the axis decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.features.patches import Patch
from worker.features.settings import FULL_TURN, DetectSettings
from worker.features.skin import Skin, across, lengths, unit
from worker.records import Floats, Ints

BIN_COUNT = 72  # of 5 degrees round the axis
STEPS_AN_EDGE = 18  # so that the quarter edges of a four-sided rim leave no bin out
BEHIND_SHARE = 0.25  # of the radius: farther in than that from the rim is the edge of a crossing hole
LEAST_LEAVING = 1e-3  # edges along the axis belong to neither end
RAY_REACH = 1.5  # radii beyond the end; a ball nose lies 1 away


@dataclass(frozen=True, eq=False)
class Reach:
    """Extent of a round patch.

    low_mm, high_mm : where the axis enters and leaves, along ``direction`` from ``point_mm`` of the patch:
        the mean height of the rim round the axis, which for a slanted mouth is where the axis meets it
    is_low_open, is_high_open : whether that end is open
    arc_rad : angle round the axis over which there is surface
    """

    low_mm: float
    high_mm: float
    is_low_open: bool
    is_high_open: bool
    arc_rad: float


@dataclass(frozen=True, eq=False)
class _Rim:
    """One end: mean height, mean outward lean of the neighbours (-1 to the axis, 1 away), whether there is a rim."""

    height_mm: float
    lean: float
    is_there: bool


def reach_of(patch: Patch, owner: Ints, skin: Skin, settings: DetectSettings) -> Reach:
    """Extent of a cylinder or cone, or of a slot seen as one.

    owner : (m,) which patch each triangle belongs to, -1 for none
    """
    corners = skin.vertices_mm[skin.triangles[patch.triangles]] - patch.point_mm
    heights = corners @ patch.direction
    low, high = _rims(patch, owner, skin)
    low_mm = low.height_mm if low.is_there else float(heights.min())
    high_mm = high.height_mm if high.is_there else float(heights.max())
    return Reach(
        low_mm,
        high_mm,
        is_low_open=_is_open(low, patch, -1.0, skin, settings),
        is_high_open=_is_open(high, patch, 1.0, skin, settings),
        arc_rad=_arc_rad(patch, corners),
    )


def _rims(patch: Patch, owner: Ints, skin: Skin) -> tuple[_Rim, _Rim]:
    inner, outer, side = _border(patch, owner, skin)
    start = skin.vertices_mm[skin.triangles[inner, side]] - patch.point_mm
    end = skin.vertices_mm[skin.triangles[inner, (side + 1) % 3]] - patch.point_mm
    along = unit(end - start)
    leaving = np.cross(along, skin.normals[inner]) @ patch.direction  # in the patch, square to its edge, outward
    beyond = np.where((outer >= 0)[:, None], np.cross(along, skin.normals[outer]), 0.0)
    middle = (start + end) / 2
    radial = unit(middle - (middle @ patch.direction)[:, None] * patch.direction)
    lean = np.where(outer >= 0, np.einsum("ij,ij->i", beyond, radial), 1.0)  # nothing there: open
    is_low, is_high = leaving < -LEAST_LEAVING, leaving > LEAST_LEAVING
    low = _rim(patch, start[is_low], end[is_low], lean[is_low], -1.0)
    return low, _rim(patch, start[is_high], end[is_high], lean[is_high], 1.0)


def _border(patch: Patch, owner: Ints, skin: Skin) -> tuple[Ints, Ints, Ints]:
    """Edges round the patch: its triangle, the triangle beyond (-1 for none), and which side of its triangle."""
    near = skin.neighbours[patch.triangles]
    row, side = np.nonzero((near < 0) | (owner[near] != owner[patch.triangles[0]]))
    return patch.triangles[row], near[row, side], side


def _rim(patch: Patch, start: Floats, end: Floats, lean: Floats, sign: float) -> _Rim:
    """Mean over the edges at one end, weighted by angle; edges that lie behind others are left out."""
    if not len(start):
        return _Rim(0.0, 0.0, is_there=False)
    share = (np.arange(STEPS_AN_EDGE) + 0.5) / STEPS_AN_EDGE
    steps = start[:, None] * (1 - share[:, None]) + end[:, None] * share[:, None]
    first, second = across(patch.direction)
    place = ((np.arctan2(steps @ second, steps @ first) / FULL_TURN + 0.5) * BIN_COUNT).astype(np.int64) % BIN_COUNT
    height = sign * (steps @ patch.direction)
    farthest = np.full(BIN_COUNT, -np.inf)
    np.maximum.at(farthest, place, height)
    angle = np.arctan2(np.stack([start, end]) @ second, np.stack([start, end]) @ first)
    span = np.abs(np.mod(angle[1] - angle[0] + np.pi, FULL_TURN) - np.pi)
    weight = np.where(height > farthest[place] - BEHIND_SHARE * patch.radius_mm, span[:, None], 0.0)
    total = float(weight.sum())
    if total <= 0:
        return _Rim(sign * float(height.max()), 0.0, is_there=True)
    return _Rim(
        sign * float((weight * height).sum()) / total, float((weight.sum(axis=1) * lean).sum()) / total, is_there=True
    )


def _is_open(rim: _Rim, patch: Patch, sign: float, skin: Skin, settings: DetectSettings) -> bool:
    if not rim.is_there:
        return False  # it ends in an apex
    if abs(rim.lean) >= settings.slope_known:
        return rim.lean > 0
    origin = patch.point_mm + rim.height_mm * patch.direction
    radius = patch.radius_mm + rim.height_mm * float(np.tan(patch.half_angle_rad))
    return not _is_capped(origin, sign * patch.direction, radius, skin)


def _is_capped(origin: Floats, direction: Floats, radius: float, skin: Skin) -> bool:
    """Whether a ray from the end meets a surface that faces it within a radius and a half."""
    corners = skin.vertices_mm[skin.triangles] - origin
    height = corners @ direction
    near = np.flatnonzero((height.max(axis=1) > -0.5 * radius) & (height.min(axis=1) < RAY_REACH * radius))
    near = near[skin.normals[near] @ direction < 0]
    first, second = across(direction)
    flat = np.stack([corners[near] @ first, corners[near] @ second], axis=2)
    following = np.roll(flat, -1, axis=1)
    cross = flat[..., 0] * following[..., 1] - flat[..., 1] * following[..., 0]
    is_round = (cross >= 0).all(axis=1) | (cross <= 0).all(axis=1)
    hit = near[is_round]
    if not len(hit):
        return False
    normal = skin.normals[hit]
    slope = normal @ direction
    distance = np.einsum("ij,ij->i", corners[hit, 0], normal) / slope
    return bool(((distance > -0.5 * radius) & (distance < RAY_REACH * radius)).any())


def _arc_rad(patch: Patch, corners: Floats) -> float:
    """Angle covered by triangles (t, 3, 3): the union of their shadows seen along the axis."""
    first, second = across(patch.direction)
    x, y = corners @ first, corners @ second
    angle, size = np.arctan2(y, x), np.hypot(x, y)
    is_tip = size < 1e-6 * size.max()  # the apex of a cone has no angle: it takes that of the corner after it
    angle = np.where(is_tip, np.roll(angle, -1, axis=1), angle)
    turned = np.mod(angle - angle[:, :1] + np.pi, FULL_TURN) - np.pi  # each triangle spans less than half a turn
    low = np.mod(angle[:, 0] + turned.min(axis=1), FULL_TURN)
    high = low + np.ptp(turned, axis=1)
    wraps = high > FULL_TURN
    starts = np.concatenate([low, np.zeros(int(wraps.sum()))])
    ends = np.concatenate([np.minimum(high, FULL_TURN), high[wraps] - FULL_TURN])
    order = np.argsort(starts, kind="stable")
    starts, ends = starts[order], np.maximum.accumulate(ends[order])
    gaps = np.maximum(starts[1:] - ends[:-1], 0.0)
    uncovered = float(starts[0] + gaps[gaps > 1e-6].sum() + FULL_TURN - ends[-1])
    return FULL_TURN - uncovered if uncovered > 1e-6 else FULL_TURN


def solid_angle_sr(triangles_mm: Floats, centre_mm: Floats) -> float:
    """Solid angle under which triangles (t, 3, 3) are seen from ``centre_mm`` (3,).

    A. Van Oosterom, J. Strackee, The solid angle of a plane triangle, IEEE Trans. Biomed. Eng. 30(2), 1983.
    """
    a, b, c = (triangles_mm[:, corner] - centre_mm for corner in range(3))
    la, lb, lc = lengths(a), lengths(b), lengths(c)
    volume = np.abs(np.einsum("ij,ij->i", a, np.cross(b, c)))
    below = la * lb * lc + np.einsum("ij,ij->i", a, b) * lc
    below += np.einsum("ij,ij->i", a, c) * lb + np.einsum("ij,ij->i", b, c) * la
    return float(2 * np.arctan2(volume, below).sum())


def smooth_border_share(patch: Patch, owner: Ints, skin: Skin, limit_rad: float) -> float:
    """Share of the border's length where the neighbour's normal differs by less than ``limit_rad``."""
    inner, outer, side = _border(patch, owner, skin)
    start = skin.vertices_mm[skin.triangles[inner, side]]
    length = lengths(skin.vertices_mm[skin.triangles[inner, (side + 1) % 3]] - start)
    cosine = np.einsum("ij,ij->i", skin.normals[inner], skin.normals[outer])
    is_smooth = (outer >= 0) & (cosine > np.cos(limit_rad))
    total = float(length.sum())
    return float(length[is_smooth].sum()) / total if total > 0 else 0.0

"""How far the axis of a rod stays from a surface, over all of its travel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from worker.passages.records import Clearance, Nearest, Rod, Touch
from worker.passages.skin import Skin, axis_distance
from worker.passages.sweep import STATIONS, swept_nearest
from worker.records import Bools, Floats, Ints
from worker.segments import segment_to_triangle

CANDIDATES = 64  # triangles that are followed on to the exact faces; ties beyond them are as near as these
FOLD = 4  # each round cuts edges in four, so that the sagitta shrinks sixteenfold
ROUNDS = 6  # from 0.1 mm of sagitta to below 1e-7 mm
TOUCH_MARGIN_MM = 3.0  # places farther from the axis than the nearest by more than this are no touches
TOUCH_LIMIT = 8  # places told apart in a table
SAME_MM = 1e-7  # contacts this near to one another are one, on several triangles


def clearance(skin: Skin, rod: Rod, *, apart_mm: float = 5.0) -> Clearance | None:
    """Least distance of the axis from the skin, where it is had, and the next places along.

    skin : its triangles all count (take ``part`` of one to leave some out)
    apart_mm : touches nearer to one another than this are one

    The distance is to the exact faces where nominal knows them, moved by the piece's deviation, right to
    1e-6 mm for a rod at rest; over a travel to 1e-4 mm, with nothing of it skipped.  An axis that goes
    through the surface, or lies behind it, has no clearance: ``is_cut`` and 0.  None without triangles.
    """
    if not len(skin.triangles):
        return None
    rows = within(skin, rod, TOUCH_MARGIN_MM)
    found = _of_part(skin.part(rows), rod, apart_mm)
    touches = tuple(replace(touch, triangle=int(rows[touch.triangle])) for touch in found.touches)
    return replace(found, first=touches[0], touches=touches)


def within(skin: Skin, rod: Rod, margin_mm: float) -> Ints:
    """Indices of the triangles that may come within a margin of what comes nearest, at some time of the travel."""
    distance = np.full(len(skin.vertices_mm), np.inf)
    distance[skin.used] = axis_distance(rod, skin.vertices_mm[skin.used])
    by_triangle = distance[skin.triangles].min(axis=1)
    slack = skin.longest_edge_mm + rod.longest_travel_mm / (2 * (STATIONS - 1)) + margin_mm
    chosen: Ints = np.flatnonzero(by_triangle <= by_triangle.min() + slack)
    return chosen


def _of_part(skin: Skin, rod: Rod, apart_mm: float) -> Clearance:
    near = nearest_by_triangle(skin, rod)
    placed = skin.places(np.arange(len(skin.triangles)), near.barycentric)
    on_axis = rod.at(near.share, near.travel)
    exact = np.where(near.distance_mm > 0, np.linalg.norm(on_axis - placed, axis=1), 0.0)
    if near.distance_mm.min() == 0.0 or _is_behind(skin, near, placed, on_axis):
        first = _touch(skin, rod, near, int(np.argmin(near.distance_mm)))
        return Clearance(0.0, is_cut=True, first=first, touches=(first,))
    first = _polished(skin, rod, near, exact)
    others = [_touch(skin, rod, near, int(index)) for index in _apart(placed, exact, apart_mm)]
    far = [one for one in others if np.linalg.norm(one.surface_mm - first.surface_mm) > apart_mm]
    rest = sorted(far, key=lambda one: one.distance_mm)[: TOUCH_LIMIT - 1]
    return Clearance(first.distance_mm, is_cut=False, first=first, touches=(first, *rest))


def nearest_by_triangle(skin: Skin, rod: Rod) -> Nearest:
    """Where the axis comes nearest to each triangle (t,), its facets as they are.

    Over a travel each is met at stations, and the least of all by a search that skips nothing.
    """
    travels = np.linspace(0.0, 1.0, 1 if rod.is_still else STATIONS)
    found = [nearest_at(skin, rod, float(travel)) for travel in travels]
    pick = np.argmin([one.distance_mm for one in found], axis=0)
    rows = np.arange(len(skin.triangles))

    def chosen(parts: list[Floats]) -> Floats:
        taken: Floats = np.stack(parts)[pick, rows]
        return taken

    near = Nearest(
        chosen([one.distance_mm for one in found]),
        chosen([one.share for one in found]),
        chosen([one.travel for one in found]),
        chosen([one.barycentric for one in found]),
    )
    return near if rod.is_still else swept_nearest(skin.corners_mm, rod, near)


def nearest_at(skin: Skin, rod: Rod, travel: float) -> Nearest:
    """Where the axis, at one share of its travel, comes nearest to each triangle (t,)."""
    start, end = rod.first_mm + travel * rod.travel_mm
    found = segment_to_triangle(start, end, skin.corners_mm)
    return Nearest(found.distance_mm, found.share, np.full(len(found.share), travel), found.barycentric)


def _touch(skin: Skin, rod: Rod, near: Nearest, index: int) -> Touch:
    row = np.array([index])
    surface = skin.places(row, near.barycentric[row])[0]
    return _touch_of(skin, rod, (index, near.barycentric[index]), (near.share[index], near.travel[index], surface))


def _touch_of(skin: Skin, rod: Rod, on_skin: tuple[int, Floats], place: tuple[float, float, Floats]) -> Touch:
    """on_skin : triangle and barycentric;  place : share and travel of the axis, and the place of the surface."""
    share, travel, surface = place
    axis = rod.at(np.array([share]), np.array([travel]))[0]
    gap = axis - surface
    distance = float(np.linalg.norm(gap))
    direction = gap / distance if distance > SAME_MM else skin.normals[on_skin[0]]
    return Touch(
        distance_mm=distance,
        surface_mm=surface,
        axis_mm=axis,
        direction=direction,
        share=float(share),
        travel=float(travel),
        triangle=on_skin[0],
        barycentric=on_skin[1].copy(),
    )


def _is_behind(skin: Skin, near: Nearest, placed: Floats, on_axis: Floats) -> bool:
    """Whether the axis lies on the material's side of where it comes nearest, without going through.

    Where the skin is only some of the surface, all of it must say so too: the axis may lie beyond a wall.
    """
    best = int(np.argmin(near.distance_mm))
    if np.linalg.norm(on_axis[best] - placed[best]) <= SAME_MM:
        return True
    if not _in_material(skin, near.barycentric, best, on_axis[best]):
        return False
    if skin.whole is None:
        return True
    point = on_axis[best]
    found = segment_to_triangle(point, point, skin.whole.corners_mm)
    return _in_material(skin.whole, found.barycentric, int(np.argmin(found.distance_mm)), point)


def _in_material(skin: Skin, barycentric: Floats, best: int, point_mm: Floats) -> bool:
    """Whether a point lies behind the place nearest it, by the mean normal of all triangles that meet there."""
    facet = np.einsum("ij,ijk->ik", barycentric, skin.corners_mm)
    here = np.linalg.norm(facet - facet[best], axis=1) <= SAME_MM
    return bool((point_mm - facet[best]) @ skin.normals[here].sum(axis=0) < 0)


def _polished(skin: Skin, rod: Rod, near: Nearest, exact: Floats) -> Touch:
    """The least over the exact faces: the nearest triangles, cut finer and finer and put on their faces."""
    order = np.argsort(exact, kind="stable")[:CANDIDATES]
    triangle, travel = order, near.travel[order]
    patches = np.broadcast_to(np.eye(3), (len(order), 3, 3)).copy()
    found = _touch(skin, rod, near, int(order[0]))
    for _ in range(ROUNDS):
        triangle, travel, patches = np.repeat(triangle, FOLD**2), np.repeat(travel, FOLD**2), _cut(patches)
        corners = skin.places(np.repeat(triangle, 3), patches.reshape(-1, 3)).reshape(-1, 3, 3)
        ends = [rod.at(np.full(len(travel), share), travel) for share in (0.0, 1.0)]
        close = segment_to_triangle(ends[0], ends[1], corners)
        barycentric = np.einsum("ij,ijk->ik", close.barycentric, patches)
        surface = skin.places(triangle, barycentric)
        distance = np.linalg.norm(rod.at(close.share, travel) - surface, axis=1)
        best = int(np.argmin(distance))
        place = (float(close.share[best]), float(travel[best]), surface[best])
        if distance[best] < found.distance_mm:
            found = _touch_of(skin, rod, (int(triangle[best]), barycentric[best]), place)
        kept = np.argsort(distance, kind="stable")[:CANDIDATES]
        triangle, travel, patches = triangle[kept], travel[kept], patches[kept]
    return found


def _cut(patches: Floats) -> Floats:
    """Each triangle (n, 3, 3 barycentrics of its corners) into FOLD^2 of its shape, exact zeros kept."""
    steps: list[Floats] = []
    for row in range(FOLD):
        for column in range(FOLD - row):
            low = [(row, column), (row + 1, column), (row, column + 1)]
            steps.append(np.array([[FOLD - a - b, a, b] for a, b in low]) / FOLD)
            if row + column < FOLD - 1:
                high = [(row + 1, column + 1), (row, column + 1), (row + 1, column)]
                steps.append(np.array([[FOLD - a - b, a, b] for a, b in high]) / FOLD)
    cut: Floats = np.einsum("scp,npk->nsck", np.array(steps), patches).reshape(-1, 3, 3)
    return cut


def _apart(placed: Floats, exact: Floats, apart_mm: float) -> Ints:
    """Indices of the nearest places, each farther than ``apart_mm`` from all nearer ones."""
    order = np.argsort(exact, kind="stable")
    chosen: list[int] = []
    is_free: Bools = np.ones(len(exact), dtype=bool)
    for index in order:
        if is_free[index]:
            chosen.append(int(index))
            is_free &= np.linalg.norm(placed - placed[index], axis=1) > apart_mm
        if len(chosen) == TOUCH_LIMIT:
            break
    return np.array(chosen, dtype=np.int64)

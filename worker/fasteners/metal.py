"""Metal round a hole: rays from its wall, square to its axis, to whatever surface bounds the metal there."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.fasteners.records import MOUTH, Bore, MetalProfile, Reach, Reaching, Shell
from worker.fasteners.shells import surface_about
from worker.measuring.analytic import exact_distance
from worker.records import Bools, Floats, Ints
from worker.surface import closest_barycentric

GOLDEN = (np.sqrt(5.0) - 1) / 2
LEAST_SLOPE = 0.05  # a ray within 3 degrees of a surface meets it nowhere in particular
SETTLED_MM = 1e-12  # steps this short are rounding
NEWTON_STEPS = 8  # rays meet planes, cylinders and tori to rounding in four


@dataclass(frozen=True, kw_only=True)
class MetalSettings:
    """How closely a hole is looked round."""

    turn_count: int = 72  # every five degrees: a passage of 2 mm, 20 mm off, is met by one of them
    golden_steps: int = 36  # narrows five degrees to 3e-9 rad: the least distance is then exact to rounding


def metal_profile(bore: Bore, shell: Shell, *, settings: MetalSettings | None = None) -> MetalProfile:
    """Least metal toward each named surface at each of the bore's heights.

    Objective: the least length of a ray from the wall, square to the axis, that leaves the metal through that
    surface.  Rays all round find the surfaces; a golden section round the shortest finds the least.  Where rays
    begin outside material the hole is open at that height.  Analytic faces are met exactly, others to their facets.
    """
    settings = settings or MetalSettings()
    turns = 2 * np.pi * np.arange(settings.turn_count) / settings.turn_count
    count = len(bore.heights_mm)

    def reach(height_mm: Floats, turn_rad: Floats) -> Reach:
        return _reach(bore, shell, height_mm, turn_rad)

    found = reach(np.repeat(bore.heights_mm, len(turns)), np.tile(turns, count))
    distance, cosine = found.distance_mm.reshape(count, -1), found.cosine.reshape(count, -1)
    triangle = found.triangle.reshape(count, -1)
    is_hit = triangle >= 0
    label = np.where(is_hit, shell.label[np.maximum(triangle, 0)], MOUTH)
    is_metal = is_hit & (cosine > 0) & (label != MOUTH)
    is_open = (is_hit & (cosine <= 0)) | (~is_hit & shell.is_closed)
    met = np.unique(label[is_metal])
    search = _Search(reach, shell, bore.heights_mm, turns, settings.golden_steps)
    rows = _least_of(search, met, [np.where(is_metal & (label == own), distance, np.inf) for own in met])
    is_open_somewhere: Bools = np.logical_or.reduce(is_open, axis=1)
    found_profile = _sorted(met, bore.heights_mm, rows, is_open_somewhere)
    return replace(found_profile, any_way_mm=_any_way(bore, shell, found_profile))


def _any_way(bore: Bore, shell: Shell, profile: MetalProfile) -> Floats:
    """Least distance (l, h) of the places of least metal from the surfaces they look at, to facets."""
    found = profile.metal_mm.copy()
    for row, label in enumerate(profile.labels):
        at = np.flatnonzero(profile.is_found[row])
        places = bore.wall_mm(bore.heights_mm[at], profile.turn_rad[row, at])
        if not len(at):
            continue
        own = np.flatnonzero((shell.label == label) & ~shell.is_left_out)
        reach = float(found[row, at].max())
        box = np.stack([places.min(axis=0) - reach, places.max(axis=0) + reach])
        near = surface_about(shell.surface.vertices_mm, shell.surface.triangles, own, box)
        if near is not None:
            found[row, at] = np.minimum(found[row, at], near[0].closest(places).distance_mm)
    return found


def open_heights(profile: MetalProfile) -> Floats:
    """Heights at which the hole is open to one side."""
    heights: Floats = profile.heights_mm[profile.is_open]
    return heights


def _reach(bore: Bore, shell: Shell, height_mm: Floats, turn_rad: Floats) -> Reach:
    origins, ways = bore.wall_mm(height_mm, turn_rad), bore.radial(turn_rad)
    hits = shell.cast(origins, ways)
    triangle = hits.triangle
    own = np.maximum(triangle, 0)
    cosine = np.einsum("ij,ij->i", shell.surface.face_normals[own], ways)
    distance, cosine = _polished(shell, origins, ways, (hits.distance_mm, cosine, own))
    return Reach(np.where(hits.is_hit, distance, np.inf), triangle, np.where(hits.is_hit, cosine, 0.0))


def _polished(
    shell: Shell, origins_mm: Floats, ways: Floats, rough: tuple[Floats, Floats, Ints]
) -> tuple[Floats, Floats]:
    """Distance and cosine to exact faces, as far outside them as the facets' corners lie.

    rough : (distance, cosine, triangle) of the facets
    """
    facet_mm, facet_cosine, triangle = rough
    face, off_mm = shell.face[triangle], _interpolated(shell, origins_mm + facet_mm[:, None] * ways, triangle)
    at, cosine, is_exact = facet_mm.copy(), facet_cosine.copy(), np.zeros(len(face), dtype=bool)
    for _ in range(NEWTON_STEPS):
        away, normal, is_exact = exact_distance(shell.table, face, origins_mm + at[:, None] * ways)
        slope = np.einsum("ij,ij->i", normal, ways)
        is_exact &= np.abs(slope) > LEAST_SLOPE
        step = np.where(is_exact, (away - off_mm) / np.where(is_exact, slope, 1.0), 0.0)
        at, cosine = at - step, np.where(is_exact, slope, cosine)
        if np.abs(step).max(initial=0.0) <= SETTLED_MM:
            break
    limit = 2 * shell.slack_mm / np.maximum(np.abs(cosine), LEAST_SLOPE) + 1e-6
    is_kept = is_exact & (np.abs(at - facet_mm) <= limit) & (cosine * facet_cosine > 0)
    return np.where(is_kept, at, facet_mm), np.where(is_kept, cosine, facet_cosine)


def _interpolated(shell: Shell, points_mm: Floats, triangle: Ints) -> Floats:
    """How far the surface lies outside its exact face at places (n, 3) of triangles (n,)."""
    if not shell.off_mm.any():
        return np.zeros(len(triangle))
    corners = shell.surface.triangles[triangle]
    share = closest_barycentric(points_mm, shell.surface.vertices_mm[corners])
    off: Floats = (share * shell.off_mm[corners]).sum(axis=1)
    return off


@dataclass(frozen=True, eq=False)
class _Row:
    """Least metal to one surface, (h,) each."""

    metal_mm: Floats
    triangle: Ints
    cosine: Floats
    turn_rad: Floats

    def part(self, chosen: slice) -> _Row:
        """Some of it."""
        return _Row(self.metal_mm[chosen], self.triangle[chosen], self.cosine[chosen], self.turn_rad[chosen])


@dataclass(frozen=True, eq=False)
class _Search:
    reach: Reaching
    shell: Shell
    heights_mm: Floats
    turns: Floats
    step_count: int


def _least_of(search: _Search, labels: Ints, grids_mm: list[Floats]) -> list[_Row]:
    """Golden section round the shortest ray of each label's grid (h, turns), at each height that meets the surface.

    All labels (l,) are looked for together: single rows of rays take as long as all of them.
    """
    count = len(search.heights_mm)
    if not len(labels):
        return []
    grid = np.concatenate(grids_mm)
    at = np.flatnonzero(np.isfinite(grid).any(axis=1))
    heights, label = search.heights_mm[at % count], labels[at // count]
    middle = search.turns[np.argmin(grid[at], axis=1)]
    step = float(search.turns[1] - search.turns[0])
    low, high = middle - step, middle + step
    nothing = np.zeros(len(at))
    best = _Row(np.full(len(at), np.inf), np.full(len(at), -1, dtype=np.int64), nothing, nothing)

    def looked(turn_rad: Floats) -> Floats:
        nonlocal best
        found = search.reach(heights, turn_rad)
        value = _own(found, search.shell, label)
        best = _nearer(best, _Row(value, found.triangle, found.cosine, turn_rad))
        return value

    looked(middle)
    left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    at_left, at_right = looked(left), looked(right)
    for _ in range(search.step_count):
        is_left = at_left <= at_right
        low, high = np.where(is_left, low, left), np.where(is_left, right, high)
        fresh = np.where(is_left, high - GOLDEN * (high - low), low + GOLDEN * (high - low))
        value = looked(fresh)
        left, right = np.where(is_left, fresh, right), np.where(is_left, left, fresh)
        at_left, at_right = np.where(is_left, value, at_right), np.where(is_left, at_left, value)
    whole = _spread(best, at, len(grid))
    return [whole.part(slice(first, first + count)) for first in range(0, len(grid), count)]


def _own(found: Reach, shell: Shell, label: Ints) -> Floats:
    """Distances (n,) that end on the wanted surfaces (n,), infinite elsewhere."""
    is_own = (found.triangle >= 0) & (shell.label[np.maximum(found.triangle, 0)] == label) & (found.cosine > 0)
    return np.where(is_own, found.distance_mm, np.inf)


def _nearer(best: _Row, found: _Row) -> _Row:
    is_nearer = found.metal_mm < best.metal_mm
    return _Row(
        np.where(is_nearer, found.metal_mm, best.metal_mm),
        np.where(is_nearer, found.triangle, best.triangle).astype(np.int64),
        np.where(is_nearer, found.cosine, best.cosine),
        np.where(is_nearer, found.turn_rad, best.turn_rad),
    )


def _spread(row: _Row, at: Ints, count: int) -> _Row:
    """The same row over all heights, infinite at those where the surface is not met."""
    metal, triangle = np.full(count, np.inf), np.full(count, -1, dtype=np.int64)
    cosine, turn = np.zeros(count), np.zeros(count)
    metal[at], triangle[at], cosine[at], turn[at] = row.metal_mm, row.triangle, row.cosine, row.turn_rad
    return _Row(metal, triangle, cosine, turn)


def _sorted(met: Ints, heights_mm: Floats, rows: list[_Row], is_open: Bools) -> MetalProfile:
    order = sorted(range(len(met)), key=lambda row: (float(rows[row].metal_mm.min()), int(met[row])))
    shape = (len(met), len(heights_mm))

    def column(name: str, dtype: type) -> np.ndarray:
        return np.array([getattr(rows[row], name) for row in order], dtype=dtype).reshape(shape)

    metal = column("metal_mm", np.float64)
    return MetalProfile(
        labels=met[order],
        heights_mm=heights_mm,
        metal_mm=metal,
        is_found=np.isfinite(metal),
        triangle=column("triangle", np.int64),
        cosine=column("cosine", np.float64),
        turn_rad=column("turn_rad", np.float64),
        any_way_mm=metal,
        is_open=is_open,
    )

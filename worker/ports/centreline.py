"""The centreline of a tube: through the centroids of sections that are square to it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.sparse.linalg import spsolve

from worker.measuring.seen import NotMeasured
from worker.ports.outlines import crossed, plane_outline
from worker.ports.tube import Tube
from worker.records import Bools, Floats, Ints

LEVEL_COUNT = 24  # of the field that the first line is made from; the planes that follow are finer
MOST_ROUNDS = 12  # of setting sections square to the line of their centroids
SETTLED_SHARE = 1e-7  # of the length: sections that move less are square
WINDOW_RADII = (
    1.5  # each way, of the line that a direction is read from: over less, a tilted section tilts its neighbours
)
LEAST_WEIGHT = 1e-3  # of an edge in the field; obtuse triangles would give it less than nothing
STRAIGHT_RAD = 0.02  # a window that turns by less has no radius worth telling
LEAST_CLOSED = 5  # sections: fewer make no line


@dataclass(frozen=True, eq=False)
class Line:
    """A curve through places at known lengths along it; two places at least.

    place_mm : (n, 3), first and last are the middles of the ends;  along_mm : (n,) from the first
    window_mm : each way, over which its direction is read
    """

    place_mm: Floats
    along_mm: Floats
    window_mm: float

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return float(self.along_mm[-1])

    def at(self, along_mm: float) -> tuple[Floats, Floats]:
        """Place (3,) and unit direction (3,) there: of the cubic that follows the line best nearby."""
        reach = np.abs(self.along_mm - along_mm)
        near = np.flatnonzero(reach <= max(self.window_mm, float(np.sort(reach)[min(4, len(reach) - 1)])))
        t = (self.along_mm[near] - along_mm) / self.window_mm
        powers = np.column_stack([np.ones_like(t), t, t**2, t**3][: max(2, min(4, len(near) - 1))])
        found, *_ = np.linalg.lstsq(powers, self.place_mm[near], rcond=None)
        direction: Floats = found[1] / np.linalg.norm(found[1])
        return found[0], direction

    @property
    def bend_reach_mm(self) -> float:
        """Each way, over which a bend is read."""
        return min(self.window_mm / 2, self.length_mm / 2)

    def bend(self, along_mm: float) -> tuple[float, Floats]:
        """Radius of the circle through the line there and half a window either way, and the way (3,) to its middle.

        Infinite where the line is straight.
        """
        half = self.bend_reach_mm
        middle = float(np.clip(along_mm, half, self.length_mm - half))
        back, here, ahead = (self._between(middle + step) for step in (-half, 0.0, half))
        first, second, whole = here - back, ahead - here, ahead - back
        sides = np.linalg.norm([first, second, whole], axis=1)
        turn = 2 * np.linalg.norm(np.cross(first, second)) / max(float(sides.prod()), 1e-12)
        if turn * 2 * half < STRAIGHT_RAD:
            return np.inf, np.zeros(3)
        inward = second / sides[1] - first / sides[0]
        return float(1 / turn), inward / np.linalg.norm(inward)

    def _between(self, along_mm: float) -> Floats:
        place: Floats = self._spline(along_mm)
        return place

    @cached_property
    def _spline(self) -> CubicSpline:
        return CubicSpline(self.along_mm, self.place_mm)


def centreline(tube: Tube) -> Line | NotMeasured:
    """The line from the wider end to the other, or why there is none.

    It starts from the levels of a harmonic field between the ends, whose loops never branch, and is then drawn
    through the centroids of plane sections until these are square to it.  The middles of the ends close it.
    """
    field = harmonic(tube, *_end_values(tube))
    levels = (np.arange(LEVEL_COUNT) + 1.0) / (LEVEL_COUNT + 1)
    places = np.array([_level_middle(tube, field - level) for level in levels])
    radius = float(np.sqrt(min(rim.area_mm2 for rim in tube.rims) / np.pi))
    line = _line(tube, places, radius)
    count = int(np.clip(line.length_mm / tube.spacing_mm, LEVEL_COUNT, 2 * LEVEL_COUNT))
    for _ in range(MOST_ROUNDS):
        stations = np.linspace(0.0, line.length_mm, count + 2)[1:-1]
        found = [centroid for station in stations if (centroid := _centroid(tube, line, float(station))) is not None]
        if len(found) < LEAST_CLOSED:
            return NotMeasured("no sections square to its middle line close: it is shorter than it is wide")
        moved = _line(tube, np.array(found), radius)
        change, line = abs(moved.length_mm - line.length_mm), moved
        if change < SETTLED_SHARE * line.length_mm:
            break
    return line


def harmonic(tube: Tube, is_known: Bools, values: Floats) -> Floats:
    """Values (v,) that are as given where known (v,), and between them as heat would settle on the surface.

    Cotangent weights (Pinkall and Polthier 1993); vertices tied to nothing known keep their given value.
    """
    weights = _weights(tube)
    degree = np.asarray(weights.sum(axis=1)).reshape(-1)
    free = np.flatnonzero(~is_known & (degree > 0))
    found = values.astype(np.float64).copy()
    if len(free):
        whole = csr_array(diags_array(degree) - weights)
        known = np.flatnonzero(is_known)
        pull = -whole[free][:, known] @ values[known]
        found[free] = spsolve(whole[free][:, free].tocsc(), pull)
    return found


def _weights(tube: Tube) -> csr_array:
    corners, count = tube.vertices_mm[tube.triangles], len(tube.vertices_mm)
    rows, columns, weights = [], [], []
    for corner in range(3):
        one, other = (corner + 1) % 3, (corner + 2) % 3
        first, second = corners[:, one] - corners[:, corner], corners[:, other] - corners[:, corner]
        across = np.linalg.norm(np.cross(first, second), axis=1)
        cotangent = np.einsum("ij,ij->i", first, second) / np.maximum(across, 1e-12)
        rows.append(tube.triangles[:, one])
        columns.append(tube.triangles[:, other])
        weights.append(np.clip(cotangent / 2, LEAST_WEIGHT, 1 / LEAST_WEIGHT))
    row, column, weight = np.concatenate(rows), np.concatenate(columns), np.concatenate(weights)
    one_way = coo_array((weight, (row, column)), shape=(count, count)).tocsr()
    return csr_array(one_way + one_way.T)


def _end_values(tube: Tube) -> tuple[Bools, Floats]:
    is_known, values = np.zeros(len(tube.vertices_mm), dtype=bool), np.zeros(len(tube.vertices_mm))
    for rim, value in zip(tube.rims, (0.0, 1.0), strict=True):
        vertices = rim_vertices(tube, rim.triangle, rim.side)
        is_known[vertices], values[vertices] = True, value
    return is_known, values


def rim_vertices(tube: Tube, triangle: Ints, side: Ints) -> Ints:
    """Vertices of sides (n,) of triangles (n,)."""
    return np.unique(np.concatenate([tube.triangles[triangle, side], tube.triangles[triangle, (side + 1) % 3]]))


def _level_middle(tube: Tube, height: Floats) -> Floats:
    """Middle (3,) of the loop of one level, by its length."""
    pieces = crossed(tube, height)
    corner = tube.vertices_mm[tube.triangles[pieces.triangle]]
    rows = np.arange(len(pieces.triangle))[:, None]
    share = pieces.share[..., None]
    ends = (1 - share) * corner[rows, pieces.side] + share * corner[rows, (pieces.side + 1) % 3]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    middle: Floats = length @ ends.mean(axis=1) / length.sum()
    return middle


def _line(tube: Tube, inner_mm: Floats, radius_mm: float) -> Line:
    places = np.concatenate([tube.rims[0].centre_mm[None], inner_mm, tube.rims[1].centre_mm[None]])
    steps = np.linalg.norm(np.diff(places, axis=0), axis=1)
    kept = np.r_[True, steps > 1e-9 * max(float(steps.sum()), 1e-12)]
    places = places[kept]
    return Line(places, arc_lengths(places), WINDOW_RADII * radius_mm)


def arc_lengths(places_mm: Floats) -> Floats:
    """Lengths (n,) along a smooth curve through places (n, 3), by arcs of the circles through neighbours."""
    steps = np.diff(places_mm, axis=0)
    chord = np.linalg.norm(steps, axis=1)
    unit = steps / chord[:, None]
    turn = np.arccos(np.clip(np.einsum("ij,ij->i", unit[:-1], unit[1:]), -1.0, 1.0))
    per_mm = 2 * turn / (chord[:-1] + chord[1:])  # curvature at inner places
    by_step = np.concatenate([per_mm[:1], (per_mm[:-1] + per_mm[1:]) / 2, per_mm[-1:]])
    arcs = chord * (1 + (by_step * chord) ** 2 / 24)
    return np.concatenate([[0.0], np.cumsum(arcs)])


def _centroid(tube: Tube, line: Line, along_mm: float) -> Floats | None:
    place, direction = line.at(along_mm)
    outline = plane_outline(tube, place, direction)
    return None if outline is None else outline.centroid_mm

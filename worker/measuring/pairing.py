"""Which place of nominal each scan point belongs to, and how far it lies from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.measuring.analytic import FaceTable, exact_distance
from worker.records import Bools, Floats, Ints
from worker.surface import SurfaceQuery, closest_barycentric, least_of_three

FAR, FACES_AWAY, BEYOND_EDGE = "far from nominal", "no skin of nominal faces that way", "beyond a sharp edge"

SQUARE_REACH = 3.0  # times the nearest distance: a face that sank beside a wall, not one below an edge


@dataclass(frozen=True, kw_only=True)
class PairRules:
    """When a scan point and a place of nominal belong together."""

    max_pair_distance_mm: float
    facing_limit_rad: float
    crease_rad: float
    chord_tolerance_mm: float


@dataclass(frozen=True, eq=False)
class Pairs:
    """One chunk of scan points and their places on nominal.

    triangle : (n,) of nominal, -1 where set aside;  barycentric : (n, 3);  foot_mm : (n, 3)
    distance_mm : (n,) signed, > 0 outside material
    set_aside : count of points by reason
    """

    triangle: Ints
    barycentric: Floats
    foot_mm: Floats
    distance_mm: Floats
    set_aside: dict[str, int]


class Pairer:
    """Pairs scan points with the same-facing skin of nominal.

    The nearest place counts if it faces the way the scan point does.  Where it does not, as when a
    wall has moved by more than half its thickness, the point's own normal line is followed both
    ways to the skin it came from.
    """

    def __init__(self, surface: SurfaceQuery, triangle_face: Ints, table: FaceTable, rules: PairRules) -> None:
        self._surface, self._triangle_face, self._table, self._rules = surface, triangle_face, table, rules

    def pair(self, points_mm: Floats, normals: Floats | None) -> Pairs:
        """Pair points (n, 3), nominal frame, with normals (n, 3) or None where facing is unknown."""
        found = self._surface.signed(points_mm)
        triangle, distance = found.triangle, found.signed_mm
        barycentric, foot = found.barycentric, found.point_mm
        is_beyond = self._is_beyond_edge(triangle, barycentric, found.normal)
        is_astray = np.zeros(len(points_mm), dtype=bool)
        if normals is not None:
            rows = np.flatnonzero(self._faces_away(found.normal, triangle, normals) & ~self._is_far(distance))
            is_beyond[rows] = False
            reach = self._reach_mm(found.normal[rows], normals[rows], distance[rows])
            hit, hit_foot, hit_distance = self._along_normal(points_mm[rows], normals[rows], reach)
            is_astray[rows[hit < 0]] = True
            is_found = hit >= 0
            rows = rows[is_found]
            triangle[rows], foot[rows], distance[rows] = hit[is_found], hit_foot[is_found], hit_distance[is_found]
            corners = self._surface.vertices_mm[self._surface.triangles[triangle[rows]]]
            barycentric[rows] = closest_barycentric(foot[rows], corners)
        distance = self._exact(triangle, points_mm, distance)
        is_far = self._is_far(distance)
        reasons = {FAR: is_far, FACES_AWAY: is_astray & ~is_far, BEYOND_EDGE: is_beyond & ~is_far & ~is_astray}
        triangle[is_far | is_astray | is_beyond] = -1
        counts = {reason: int(np.count_nonzero(mask)) for reason, mask in reasons.items()}
        return Pairs(triangle, barycentric, foot, distance, counts)

    def _is_far(self, distance_mm: Floats) -> Bools:
        is_far: Bools = np.abs(distance_mm) > self._rules.max_pair_distance_mm
        return is_far

    def _is_beyond_edge(self, triangle: Ints, barycentric: Floats, normal: Floats) -> Bools:
        """Nearest place is a sharp edge: the point lies over no face, and its distance is not a deviation."""
        is_beyond = np.zeros(len(triangle), dtype=bool)
        rows = np.flatnonzero(least_of_three(barycentric) == 0.0)
        cosine = np.einsum("ij,ij->i", normal[rows], self._surface.face_normals[triangle[rows]])
        is_beyond[rows] = cosine < np.cos(self._rules.crease_rad)
        return is_beyond

    def _faces_away(self, normal: Floats, triangle: Ints, scan_normals: Floats) -> Bools:
        """Neither the feature hit nor its triangle faces the way the scan does, where that is known."""
        limit = np.cos(self._rules.facing_limit_rad)
        is_away: Bools = np.einsum("ij,ij->i", normal, scan_normals) < limit
        rows = np.flatnonzero(is_away)
        faces = self._surface.face_normals[triangle[rows]]
        is_unknown = ~scan_normals[rows].any(axis=1)
        is_away[rows] = (np.einsum("ij,ij->i", faces, scan_normals[rows]) < limit) & ~is_unknown
        return is_away

    def _reach_mm(self, normal: Floats, scan_normals: Floats, distance_mm: Floats) -> Floats:
        """How far along its normal a point may look for its skin.

        Anywhere in reach where the nearest skin is the back of a wall.  Little beyond the nearest skin where
        that stands square: there the point hangs over an edge, and looking far finds some other face below.
        """
        is_back = np.einsum("ij,ij->i", normal, scan_normals) <= -np.cos(self._rules.facing_limit_rad)
        return np.where(is_back, self._rules.max_pair_distance_mm, SQUARE_REACH * np.abs(distance_mm))

    def _along_normal(self, points_mm: Floats, normals: Floats, reach_mm: Floats) -> tuple[Ints, Floats, Floats]:
        """Nearest same-facing first hit on the normal line: triangle or -1, hit point, distance from its plane."""
        best = np.full(len(points_mm), -1, dtype=np.int64)
        length = reach_mm.copy()
        foot, distance = points_mm.copy(), np.zeros(len(points_mm))
        for way in (1.0, -1.0):
            hits = self._surface.cast(points_mm, way * normals)
            faces = self._surface.face_normals[np.maximum(hits.triangle, 0)]
            faces_same = np.einsum("ij,ij->i", faces, normals) >= np.cos(self._rules.facing_limit_rad)
            won = np.flatnonzero(hits.is_hit & faces_same & (hits.distance_mm <= length))
            best[won], length[won] = hits.triangle[won], hits.distance_mm[won]
            foot[won] = points_mm[won] + way * hits.distance_mm[won, None] * normals[won]
            distance[won] = np.einsum("ij,ij->i", points_mm[won] - foot[won], faces[won])
        return best, foot, distance

    def _exact(self, triangle: Ints, points_mm: Floats, distance_mm: Floats) -> Floats:
        """Distance to the analytic surface where the face has one and its facets agree with it."""
        if not self._table.is_analytic.any():
            return distance_mm
        exact, _, is_exact = exact_distance(self._table, self._triangle_face[triangle], points_mm)
        # facets lie off by the chord tolerance; farther apart means the trimmed face ends before the foot
        slack_mm = 2 * self._rules.chord_tolerance_mm + 0.05 * np.abs(distance_mm) + 1e-6
        return np.where(is_exact & (np.abs(exact - distance_mm) <= slack_mm), exact, distance_mm)

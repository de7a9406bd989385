"""Which place of nominal each scan point speaks of, and from which side: the pairs a fit rests on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.measuring.analytic import FaceTable, exact_distance
from worker.records import Bools, Floats, Ints
from worker.surface import SurfaceQuery

FACING_COS = 0.5  # same-facing means normals within 60 degrees: a wall's far skin is 180 away, its rim 90
FULL_FACING_COS = 0.6  # from 53 degrees on in full: a point that comes and goes with every pass never lets a fit settle
ACROSS_COS = 0.8  # beyond a sharp edge the gap leans away from every face: over 37 degrees it says nothing of one,
FULL_ACROSS_COS = 0.95  # under 18 degrees, as between facets, it counts in full
SKINS_CROSSED = 2  # from inside a cavity the near skin comes first, the far one second
TOUCHING_MM = 1e-6  # nearer than that the gap has no direction of its own


@dataclass(frozen=True, eq=False)
class Cloud:
    """Scan points as a fit takes them.

    points_mm : (n, 3) float64, mm
    normals : (n, 3) unit, out of material, or None when facing is unknown
    weights : (n,) area each point stands for, relative
    """

    points_mm: Floats
    normals: Floats | None
    weights: Floats

    def turned(self, sign: int) -> Cloud:
        """The cloud with normals turned round (-1), left alone (1) or forgotten (0)."""
        return replace(self, normals=None if self.normals is None or sign == 0 else sign * self.normals)

    def chosen(self, index: Ints | Bools) -> Cloud:
        """The cloud of these points."""
        normals = None if self.normals is None else self.normals[index]
        return Cloud(self.points_mm[index], normals, self.weights[index])


@dataclass(frozen=True, eq=False)
class Pairs:
    """Each point and the surface nearest to it.

    residual_mm : (n,) signed distance, > 0 outside material
    direction : (n, 3) unit; moving the point along it raises the residual one for one
    is_facing : (n,) both look the same way, or the scan has no normals
    trust : (n,) 0 to 1; 0 where not facing or beyond a sharp edge, where distance says nothing about a face
    triangle : (n,) int64
    is_exact : (n,) measured to the exact face, not to facets
    """

    residual_mm: Floats
    direction: Floats
    is_facing: Bools
    trust: Floats
    triangle: Ints
    is_exact: Bools

    @property
    def is_usable(self) -> Bools:
        """(n,) pairs with any trust."""
        return self.trust > 0


@dataclass(frozen=True, eq=False)
class NominalSurface:
    """Nominal as pairs are made with it: facets to find the face, the exact face to measure to where it is known.

    Facets lie inside a boss and outside a hole by up to the chord tolerance, always to one side.

    query : the triangles;  triangle_face : (m,) int64;  faces : what is known of them
    left_out : (m,) triangles that are paired but not trusted, or None
    """

    query: SurfaceQuery
    triangle_face: Ints
    faces: FaceTable
    left_out: Bools | None = None

    def paired(self, points_mm: Floats, normals: Floats | None, *, reach_mm: float = 0.0) -> Pairs:
        """Pair each point with the nearest place of the surface.

        points_mm, normals : (n, 3) float64, mm and unit (or None), nominal frame
        reach_mm : where the nearest place faces away, a place that faces the same way is looked for this far along
            the normal: the other skin of the wall, when the start was off by more than half of it

        On a face the direction is its normal; beyond a shallow edge between facets it is that of the
        gap, so that the residual stays smooth from one facet to the next.
        """
        pairs = self._paired(points_mm, normals, reach_mm)
        if self.left_out is not None:
            pairs.trust[self.left_out[pairs.triangle]] = 0.0
        return pairs

    def is_relied_on(self, triangle: Ints) -> Bools:
        """(n,) triangles that are not left out."""
        return np.ones(len(triangle), dtype=np.bool_) if self.left_out is None else ~self.left_out[triangle]

    def _paired(self, points_mm: Floats, normals: Floats | None, reach_mm: float) -> Pairs:
        found = self.query.signed(points_mm)
        face_normal = self.query.face_normals[found.triangle]
        is_apart = (found.distance_mm > TOUCHING_MM) & (found.barycentric.min(axis=1) <= 0.0)
        direction = face_normal.copy()
        direction[is_apart] = (points_mm - found.point_mm)[is_apart] / found.signed_mm[is_apart, None]
        trust = np.ones(len(points_mm))
        trust[is_apart] = _edge_trust(direction[is_apart], found.normal[is_apart], face_normal[is_apart])
        agreement = None if normals is None else np.einsum("ij,ij->i", normals, direction)
        exact_mm, exact_normal, is_exact = exact_distance(self.faces, self.triangle_face[found.triangle], points_mm)
        residual = np.where(is_exact, exact_mm, found.signed_mm)
        direction[is_exact] = exact_normal[is_exact]
        if normals is None or agreement is None:
            everywhere = np.ones(len(points_mm), dtype=np.bool_)
            return Pairs(residual, direction, everywhere, trust, found.triangle, is_exact)
        trust *= _ramp(agreement, FACING_COS, FULL_FACING_COS)
        pairs = Pairs(residual, direction, agreement > FACING_COS, trust, found.triangle, is_exact)
        is_wrong_skin = (agreement < -FACING_COS) & (found.distance_mm < reach_mm)
        return self._other_skin(pairs, points_mm, normals, np.flatnonzero(is_wrong_skin), reach_mm)

    def _other_skin(self, pairs: Pairs, points_mm: Floats, normals: Floats, rows: Ints, reach_mm: float) -> Pairs:
        """The pairs of ``rows`` moved to the nearest skin along the normal that faces the same way, if there is one."""
        best = np.full(len(rows), reach_mm)
        for side in (1.0, -1.0):
            travelled, asked = np.zeros(len(rows)), np.arange(len(rows))
            for _ in range(SKINS_CROSSED):
                ray = side * normals[rows[asked]]
                hits = self.query.cast(points_mm[rows[asked]] + travelled[asked, None] * ray, ray)
                travelled[asked] += hits.distance_mm
                asked, triangle = asked[hits.is_hit], hits.triangle[hits.is_hit]
                facing = np.einsum("ij,ij->i", normals[rows[asked]], self.query.face_normals[triangle])
                is_won = (facing > FULL_FACING_COS) & (travelled[asked] < best[asked])
                won, at = asked[is_won], rows[asked[is_won]]
                best[won] = travelled[won]
                pairs.triangle[at], pairs.direction[at] = triangle[is_won], self.query.face_normals[triangle[is_won]]
                pairs.residual_mm[at], pairs.trust[at] = -side * travelled[won] * facing[is_won], 1.0
                pairs.is_facing[at], pairs.is_exact[at] = True, False
                travelled[asked] += TOUCHING_MM * 1000
        return pairs


def _edge_trust(direction: Floats, edge_normal: Floats, face_normal: Floats) -> Floats:
    """How nearly the gap to an edge stands on one of its faces, the same whichever of them is named.

    The edge's normal halves the angle between its faces, so the nearer face's normal is as far from the gap as the
    two angles from the edge's normal differ.
    """
    half = np.einsum("ij,ij->i", face_normal, edge_normal)
    lean = np.abs(np.einsum("ij,ij->i", direction, edge_normal))
    across = half * lean + np.sqrt(np.maximum(0.0, (1 - half * half) * (1 - lean * lean)))
    return _ramp(across, ACROSS_COS, FULL_ACROSS_COS)


def _ramp(values: Floats, low: float, high: float) -> Floats:
    """0 up to ``low``, 1 from ``high``, straight between."""
    ramp: Floats = np.clip((values - low) / (high - low), 0.0, 1.0)
    return ramp

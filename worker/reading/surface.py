"""From raw triangles to a sound surface: merged, cleaned, wound, cut into patches; every change counted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.reading.parsed import Bools, Floats, Ints
from worker.reading.settings import MeshSettings
from worker.reading.shape import area_vectors, areas_of, lengths_of, signed_volume
from worker.reading.topology import Edges, connected, consistent_winding, distinct_points, find_edges


@dataclass(frozen=True, eq=False)
class Surface:
    """Triangles on the way to a nominal.

    points : (n, 3) float64, mm
    triangles : (m, 3) int64
    triangle_face : (m,) int64
    """

    points: Floats
    triangles: Ints
    triangle_face: Ints
    is_watertight: bool = False
    notes: tuple[str, ...] = ()

    def noted(self, sentence: str) -> Surface:
        """Return the same with one more note."""
        return replace(self, notes=(*self.notes, sentence))


def merge(surface: Surface, tolerance_mm: float) -> tuple[Surface, Edges]:
    """Join equal vertices; then, along open edges only, those within ``tolerance_mm``.  Drops collapsed triangles."""
    merged = distinct_points(surface.points)
    points = surface.points[merged.first_index]
    surface = _without_collapsed(replace(surface, points=points, triangles=merged.new_index[surface.triangles]))
    edges = find_edges(surface.triangles, len(points))
    if not len(edges.open_vertices) or tolerance_mm <= 0:
        return surface, edges
    target = _close_pairs(points, edges.open_vertices, tolerance_mm)
    moved = int(np.count_nonzero(target != np.arange(len(points))))
    if not moved:
        return surface, edges
    surface = _without_collapsed(replace(surface, triangles=target[surface.triangles]))
    surface = surface.noted(f"{moved} vertices on open edges were joined with one within {tolerance_mm:.2g} mm.")
    return surface, find_edges(surface.triangles, len(points))


def _close_pairs(points: Floats, candidates: Ints, tolerance_mm: float) -> Ints:
    from scipy.spatial import cKDTree  # noqa: PLC0415 (0.4 s to import, needed for torn meshes only)

    pairs = cKDTree(points[candidates]).query_pairs(tolerance_mm, output_type="ndarray").astype(np.int64)
    label = connected(len(candidates), pairs[:, 0], pairs[:, 1])
    _, first = np.unique(label, return_index=True)
    target = np.arange(len(points), dtype=np.int64)
    target[candidates] = candidates[first[label]]
    return target


def _without_collapsed(surface: Surface) -> Surface:
    a, b, c = surface.triangles.T
    is_kept = (a != b) & (b != c) & (c != a)
    dropped = int(np.count_nonzero(~is_kept))
    if not dropped:
        return surface
    return _select(surface, is_kept).noted(f"{dropped} triangles with two equal corners were dropped.")


def _select(surface: Surface, is_kept: Bools) -> Surface:
    return replace(surface, triangles=surface.triangles[is_kept], triangle_face=surface.triangle_face[is_kept])


def orient(surface: Surface, edges: Edges) -> tuple[Surface, Edges]:
    """Make neighbours agree, turn a closed inside-out surface, and say whether it is closed."""
    vectors = area_vectors(surface.points, surface.triangles)
    if not edges.is_opposed.all():
        is_turned, could = consistent_winding(edges, areas_of(vectors))
        if could and is_turned.any():
            surface = _turned(surface, is_turned).noted(
                f"{int(is_turned.sum())} triangles faced the other way than their neighbours and were turned over."
            )
        elif not could:
            surface = surface.noted("The surface has only one side, like a twisted strip; its outside is unknown.")
        edges = find_edges(surface.triangles, len(surface.points))
        vectors = area_vectors(surface.points, surface.triangles)
    if edges.is_closed and signed_volume(surface.points, surface.triangles, vectors) < 0:
        surface = _turned(surface, np.ones(len(surface.triangles), dtype=np.bool_))
        surface = surface.noted("The closed surface was inside out and was turned over.")
    if not edges.is_closed:
        surface = surface.noted(
            f"The surface is not closed: {edges.open_edge_count} edges have no partner. "
            "Inside and outside are taken from the direction of its triangles."
        )
    return replace(surface, is_watertight=edges.is_closed), edges


def _turned(surface: Surface, is_turned: Bools) -> Surface:
    triangles = surface.triangles.copy()
    triangles[is_turned] = triangles[is_turned][:, ::-1]
    return replace(surface, triangles=triangles)


def cut_at_creases(surface: Surface, edges: Edges, settings: MeshSettings) -> Surface:
    """Number patches of triangles whose neighbours turn by less than the crease angle."""
    vectors = area_vectors(surface.points, surface.triangles)
    length = lengths_of(vectors)
    unit = np.divide(vectors, length[:, None], out=np.zeros_like(vectors), where=length[:, None] > 0)
    cosine = np.einsum("ij,ij->i", unit[edges.first], unit[edges.second])
    is_smooth = edges.is_opposed & (cosine > np.cos(settings.crease_rad))
    is_sliver = (length[edges.first] == 0) | (length[edges.second] == 0)  # no direction of its own: join it
    is_joined = is_smooth | (is_sliver & edges.is_opposed)
    patch = connected(len(vectors), edges.first[is_joined], edges.second[is_joined])
    return replace(surface, triangle_face=patch)


def finish(surface: Surface) -> Surface:
    """Drop triangles without area and vertices without triangles, once closedness is known."""
    areas = areas_of(area_vectors(surface.points, surface.triangles))
    has_area = areas > 0
    if not has_area.all():
        surface = _select(surface, has_area).noted(f"{int((~has_area).sum())} triangles without area were dropped.")
    is_used = np.zeros(len(surface.points), dtype=np.bool_)
    is_used[surface.triangles] = True
    if is_used.all():
        return surface
    new_index = np.cumsum(is_used) - 1
    surface = replace(surface, points=surface.points[is_used], triangles=new_index[surface.triangles])
    return surface.noted(f"{int((~is_used).sum())} vertices without a triangle were dropped.")

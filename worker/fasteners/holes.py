"""What surrounds a hole in nominal: its mouths, the face it stands in, and names for the surfaces near it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.features.records import Feature, FeatureKind
from worker.features.skin import Skin, skin_of
from worker.measuring.regions import region_triangles
from worker.records import Bools, Floats, Ints, Nominal, Region, Samples

FACES_ALONG = 0.643  # cosine of 50 degrees: a countersink of 90 leads into a hole, a steeper flank is a side of it
COAXIAL_SHARE, COAXIAL_RAD = 0.1, 0.01  # of the radius; steps of one hole are drawn on one axis
TURN_BINS = 24  # of the round, 15 degrees each: in every one a hole's wall has corners of triangles
ROUND_KINDS = (FeatureKind.HOLE, FeatureKind.CONE)


@dataclass(frozen=True, eq=False)
class HoleShape:
    """A hole of nominal among its surroundings; heights are along its direction from its ``point_mm``.

    is_own : (m,) triangles of its wall
    is_mouth : (m,) of the surfaces it opens into, and of its bottom
    ends_mm : (2,) where its wall begins and ends
    full_mm : (2,) between which its wall goes all round, mouths on slanting faces left out
    edges_mm : (e, 2, 3) outside edges of the faces it opens into, rims of holes left out
    edge_triangle : (e,) the triangle beyond each edge, -1 for none
    """

    feature: Feature
    direction: Floats
    radius_mm: float
    is_own: Bools
    is_mouth: Bools
    ends_mm: Floats
    full_mm: Floats
    edges_mm: Floats
    edge_triangle: Ints


@dataclass(frozen=True, eq=False)
class Surroundings:
    """Nominal, prepared once for all its holes.

    rounds : holes and countersinks;  is_round : (m,) their triangles
    """

    nominal: Nominal
    skin: Skin
    rounds: tuple[Feature, ...]
    is_round: Bools


@dataclass(frozen=True, eq=False)
class Names:
    """names : of surfaces;  label : (m,) which of them each triangle of nominal is of."""

    names: tuple[str, ...]
    label: Ints


def surroundings(nominal: Nominal, features: Sequence[Feature]) -> Surroundings:
    """Neighbours of all triangles, and which belong to holes."""
    rounds = tuple(one for one in features if one.kind in ROUND_KINDS and one.is_internal)
    return Surroundings(nominal, skin_of(nominal), rounds, _triangles_of(rounds, len(nominal.triangles)))


def hole_shape(feature: Feature, around: Surroundings) -> HoleShape:
    """The hole with its mouths and edges.

    Raises
    ------
    ValueError
        If the feature is no hole with an axis and a radius.

    """
    if feature.kind is not FeatureKind.HOLE or feature.direction is None or feature.radius_mm is None:
        raise ValueError(f"{feature.id} is no hole")
    skin = around.skin
    is_own = _triangles_of((feature,), len(skin.triangles))
    along = skin.normals @ feature.direction
    facing = np.where(np.abs(along) > FACES_ALONG, np.sign(along), 0.0).astype(np.int64)
    steps = [one for one in around.rounds if _is_coaxial(feature, one)]
    is_step = is_own | _triangles_of(steps, len(is_own))
    is_face = _grown(skin, _beside(skin, is_step) & (facing != 0), np.where(is_own, 0, facing))
    edges, beyond = border_edges(skin, is_face, is_own | around.is_round)
    face, is_seed = around.nominal.triangle_face, _beside(skin, is_own) & (facing != 0)
    return HoleShape(
        feature=feature,
        direction=feature.direction,
        radius_mm=feature.radius_mm,
        is_own=is_own,
        is_mouth=np.isin(face, face[is_seed]) & (facing != 0) & ~is_own,
        **_heights(feature, skin, is_own),
        edges_mm=edges,
        edge_triangle=beyond,
    )


def border_edges(skin: Skin, is_face: Bools, is_left_out: Bools) -> tuple[Floats, Ints]:
    """Border of a set of triangles (m,): both ends (e, 2, 3) of each edge, and the triangle beyond it (e,).

    is_left_out : (m,) edges shared with these are no edges
    """
    own = np.flatnonzero(is_face)
    beyond = skin.neighbours[own]
    is_edge = (beyond < 0) | ~(is_face | is_left_out)[np.maximum(beyond, 0)]
    row, corner = np.nonzero(is_edge)
    start = skin.triangles[own[row], corner]
    end = skin.triangles[own[row], (corner + 1) % 3]
    return skin.vertices_mm[np.stack([start, end], axis=1)].reshape(-1, 2, 3), beyond[row, corner]


def nearest_edge(point_mm: Floats, direction: Floats, edges_mm: Floats) -> tuple[float, Floats, int] | None:
    """Distance of an axis from the nearest edge, square to the axis; its place (3,), and which edge.  None without.

    edges_mm : (e, 2, 3)
    """
    if not len(edges_mm):
        return None
    offset = edges_mm - point_mm
    flat = offset - (offset @ direction)[..., None] * direction
    start, way = flat[:, 0], flat[:, 1] - flat[:, 0]
    length_sq = np.einsum("ij,ij->i", way, way)
    share = np.clip(-np.einsum("ij,ij->i", start, way) / np.where(length_sq > 0, length_sq, 1.0), 0.0, 1.0)
    distance = np.linalg.norm(start + share[:, None] * way, axis=1)
    best = int(np.argmin(distance))
    place = edges_mm[best, 0] + share[best] * (edges_mm[best, 1] - edges_mm[best, 0])
    return float(distance[best]), place, best


def surface_names(nominal: Nominal, samples: Samples, regions: Sequence[Region], features: Sequence[Feature]) -> Names:
    """A name for every triangle: the smallest region that holds it, else its feature, else its face."""
    count = len(nominal.triangles)
    names: list[str] = []
    label = np.full(count, -1, dtype=np.int64)

    def give(name: str, is_member: Bools) -> None:
        if is_member.any():
            label[is_member] = len(names)
            names.append(name)

    for region in sorted(regions, key=lambda one: float(samples.area_mm2[one.is_member].sum())):
        give(region.name, region_triangles(region, samples, count) & (label < 0))
    for feature in features:
        if feature.kind is not FeatureKind.PATTERN:
            own = np.zeros(count, dtype=bool)
            own[feature.triangles] = True
            give(feature.id, own & (label < 0))
    for face in nominal.faces:
        give(face.name or f"face {face.index}", (nominal.triangle_face == face.index) & (label < 0))
    return Names(tuple(names), label)


def _triangles_of(features: Sequence[Feature], count: int) -> Bools:
    is_own = np.zeros(count, dtype=bool)
    for feature in features:
        is_own[feature.triangles] = True
    return is_own


def _is_coaxial(feature: Feature, other: Feature) -> bool:
    """A step, countersink or tip of the same hole."""
    if feature.direction is None or other.direction is None or feature.radius_mm is None:
        return False
    aside = np.linalg.norm(np.cross(other.point_mm - feature.point_mm, feature.direction))
    turned = np.linalg.norm(np.cross(other.direction, feature.direction))
    return bool(aside < COAXIAL_SHARE * feature.radius_mm and turned < COAXIAL_RAD)


def _beside(skin: Skin, is_own: Bools) -> Bools:
    """Triangles (m,) that share an edge with some of the set, and are not of it."""
    is_next = np.zeros(len(is_own), dtype=bool)
    near = skin.neighbours[is_own]
    is_next[near[near >= 0]] = True
    return is_next & ~is_own


def _grown(skin: Skin, is_seed: Bools, facing: Ints) -> Bools:
    """Triangles (m,) joined to the seeds through neighbours that face the same way along the axis."""
    start, side = np.nonzero(skin.neighbours >= 0)
    end = skin.neighbours[start, side]
    is_same = (facing[start] != 0) & (facing[start] == facing[end])
    pairs = (start[is_same], end[is_same])
    graph = coo_array((np.ones(len(pairs[0]), dtype=np.int8), pairs), shape=(len(facing),) * 2)
    _, part = connected_components(graph, directed=False)
    grown: Bools = np.isin(part, part[is_seed]) & (facing != 0)
    return grown


def _heights(feature: Feature, skin: Skin, is_own: Bools) -> dict[str, Floats]:
    """Where the wall begins and ends, and between which heights it goes all round."""
    if feature.direction is None:
        raise ValueError(f"{feature.id} has no axis")
    corners = skin.vertices_mm[np.unique(skin.triangles[is_own])] - feature.point_mm
    height = corners @ feature.direction
    ends = np.array([height.min(), height.max()])
    seed = np.zeros(3)
    seed[int(np.argmin(np.abs(feature.direction)))] = 1.0
    first = np.cross(feature.direction, seed)
    turn = np.arctan2(corners @ np.cross(feature.direction, first), corners @ first)
    sector = np.floor((turn / (2 * np.pi) + 0.5) * TURN_BINS).astype(np.int64) % TURN_BINS
    low, high = np.full(TURN_BINS, np.inf), np.full(TURN_BINS, -np.inf)
    np.minimum.at(low, sector, height)
    np.maximum.at(high, sector, height)
    is_seen = np.isfinite(low)
    full = np.array([low[is_seen].max(), high[is_seen].min()])
    return {"ends_mm": ends, "full_mm": full if full[0] < full[1] else ends}

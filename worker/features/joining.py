"""Pieces of one element made one: half cylinders, faces split by a seam or by a crossing hole.

Cylinders of one axis, radius and side are one feature where their depths meet, even if a crossing
hole leaves only islands of them.  Where a stretch of the axis is free of them, as in the two cheeks
of a fork or where a bolt hole crosses a wider passage, they stay two: without a note on the drawing
(CF of ASME Y14.5, CT of ISO 14405-1) each stretch is a feature of its own.  Cones of one apex and
spheres of one centre go by the same rule; planes are joined only where they share two corners.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from worker.features.patches import Patch
from worker.features.settings import DetectSettings
from worker.features.skin import Skin, canonical
from worker.records import Bools, Floats, Ints, SurfaceKind


def joined(patches: Sequence[Patch], skin: Skin, settings: DetectSettings) -> tuple[Patch, ...]:
    """One patch for all that lies on one element and hangs together."""
    result: list[Patch] = []
    for kind in (SurfaceKind.PLANE, SurfaceKind.CYLINDER, SurfaceKind.CONE, SurfaceKind.SPHERE):
        own = [patch for patch in patches if patch.kind is kind]
        if kind is SurfaceKind.PLANE:
            groups = _groups(len(own), _same_planes(own, skin, settings))
        else:
            groups = [
                part
                for group in _groups(len(own), _same_rounds(own, skin, settings))
                for part in _where_depths_meet([own[index] for index in group], group, skin, settings)
            ]
        result.extend(_one([own[index] for index in group]) for group in groups)
    return tuple(result)


def _one(parts: Sequence[Patch]) -> Patch:
    if len(parts) == 1:
        return parts[0]
    leading = max(parts, key=lambda patch: len(patch.triangles))
    return replace(
        leading,
        triangles=np.sort(np.concatenate([patch.triangles for patch in parts])),
        faces=np.sort(np.concatenate([patch.faces for patch in parts])),
    )


def _groups(count: int, pairs: Ints) -> list[list[int]]:
    """Connected groups of 0 .. count - 1, in order of their first member."""
    if not count:
        return []
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    found, label = connected_components(links, directed=False)
    groups: list[list[int]] = [[] for _ in range(found)]
    for index, name in enumerate(label.tolist()):
        groups[name].append(index)
    return sorted(groups)


def _same_planes(own: Sequence[Patch], skin: Skin, settings: DetectSettings) -> Ints:
    """Pairs (k, 2) of planes that share two corners and all but a direction."""
    rows = [np.unique(skin.triangles[patch.triangles]) for patch in own]
    owner = np.repeat(np.arange(len(own)), [len(row) for row in rows])
    vertex = np.concatenate([*rows, np.empty(0, dtype=np.int64)])
    touch = csr_array((np.ones(len(owner)), (owner, vertex)), shape=(len(own), len(skin.vertices_mm)))
    shared = coo_array(touch @ touch.T) if len(own) else coo_array((0, 0))
    is_pair = (shared.row < shared.col) & (shared.data > 1.5)
    pairs = np.stack([shared.row[is_pair], shared.col[is_pair]], axis=1).astype(np.int64)
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    if not len(pairs):
        return pairs
    normals = np.stack([patch.direction for patch in own])
    points = np.stack([patch.point_mm for patch in own])
    centres = np.stack([_corners(patch, skin).mean(axis=0) for patch in own])
    left, right = pairs.T
    is_parallel = np.einsum("ij,ij->i", normals[left], normals[right]) > np.cos(settings.same_angle_rad)
    height = np.einsum("ij,ij->i", centres[right] - points[left], normals[left])
    kept: Ints = pairs[is_parallel & (np.abs(height) < settings.same_length_mm)]
    return kept


def _same_rounds(own: Sequence[Patch], skin: Skin, settings: DetectSettings) -> Ints:
    """Pairs (k, 2) on one cylinder, cone or sphere, of one side."""
    if len(own) < 2:
        return np.empty((0, 2), dtype=np.int64)
    centre = np.stack([patch.point_mm for patch in own]).mean(axis=0)
    keys = np.stack([_key(patch, centre) for patch in own])
    reach = float(np.abs(keys[:, :3]).max())
    slack = settings.same_length_mm + 2 * settings.same_angle_rad * reach + settings.same_axis_share * keys[:, 3].max()
    pairs = cKDTree(keys).query_pairs(slack, output_type="ndarray").astype(np.int64).reshape(-1, 2)
    kept = [
        (left, right)
        for left, right in pairs.tolist()
        if _is_same(own[left], own[right], skin, settings) and own[left].is_internal == own[right].is_internal
    ]
    return np.array(kept, dtype=np.int64).reshape(-1, 2)


def _key(patch: Patch, centre: Floats) -> Floats:
    """Four lengths that equal elements share: the axis' point nearest the part's middle (apex, centre), and a size."""
    if patch.kind is SurfaceKind.CYLINDER:
        gap = patch.point_mm - centre
        return np.append(gap - (gap @ patch.direction) * patch.direction, patch.radius_mm)
    if patch.kind is SurfaceKind.CONE:
        return np.append(apex_mm(patch) - centre, patch.half_angle_rad)
    return np.append(patch.point_mm - centre, patch.radius_mm)


def apex_mm(cone: Patch) -> Floats:
    """(3,) where the cone ends in a point."""
    tip: Floats = cone.point_mm - cone.radius_mm / np.tan(cone.half_angle_rad) * cone.direction
    return tip


def _is_same(left: Patch, right: Patch, skin: Skin, settings: DetectSettings) -> bool:
    size = max(left.radius_mm, right.radius_mm)
    slack = settings.same_length_mm + settings.same_axis_share * size
    if left.kind is SurfaceKind.SPHERE:
        gap = float(np.linalg.norm(left.point_mm - right.point_mm))
        return gap < slack and abs(left.radius_mm - right.radius_mm) < slack
    if abs(float(canonical(left.direction) @ canonical(right.direction))) < np.cos(settings.same_angle_rad):
        return False
    if left.kind is SurfaceKind.CONE and left.direction @ right.direction < 0:
        return False  # the other half of the double cone
    if abs(left.half_angle_rad - right.half_angle_rad) > settings.same_angle_rad:
        return False
    # the other's corners lie on this one, at its own place: errors of direction do not add up over the gap
    offsets = np.abs(left.offsets_mm(_on_own_surface(right, skin)))
    return bool(offsets.max() < slack)


def _on_own_surface(patch: Patch, skin: Skin) -> Floats:
    """(n, 3) corners of the patch put onto its element, so that facets do not count."""
    corners = _corners(patch, skin)
    gap = corners - patch.point_mm
    along = gap @ patch.direction
    out = gap - along[:, None] * patch.direction
    length = np.maximum(np.sqrt(np.einsum("ij,ij->i", out, out)), 1e-300)
    wanted = patch.radius_mm + along * np.tan(patch.half_angle_rad)
    on: Floats = patch.point_mm + along[:, None] * patch.direction + out * (wanted / length)[:, None]
    return on


def _corners(patch: Patch, skin: Skin) -> Floats:
    corners: Floats = skin.vertices_mm[np.unique(skin.triangles[patch.triangles])]
    return corners


def _where_depths_meet(
    parts: Sequence[Patch], group: Sequence[int], skin: Skin, settings: DetectSettings
) -> list[list[int]]:
    """The group cut where the axis has a stretch without any of it; a sphere stays whole."""
    if len(parts) == 1 or parts[0].kind is SurfaceKind.SPHERE:
        return [list(group)]
    leading = parts[0]
    spans = [(_corners(patch, skin) - leading.point_mm) @ leading.direction for patch in parts]
    low, high = np.array([span.min() for span in spans]), np.array([span.max() for span in spans])
    order = np.argsort(low, kind="stable")
    reached = np.maximum.accumulate(high[order])
    slack = settings.same_length_mm + settings.depth_slack_share * leading.radius_mm
    is_new: Bools = np.concatenate([[True], low[order][1:] > reached[:-1] + slack])
    name = np.cumsum(is_new) - 1
    return [sorted(group[place] for place in order[name == part]) for part in range(int(name[-1]) + 1)]

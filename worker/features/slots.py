"""Slots with half-round ends, put together from two half cylinders and the flats between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from worker.features.patches import Patch
from worker.features.settings import DetectSettings
from worker.features.skin import Skin, canonical
from worker.records import Floats, Ints, SurfaceKind

HALF_ROUND_SLACK_RAD = np.radians(25.0)  # half a facet of a coarse mesh at either side
SIDE_COSINE = 0.99  # a half cylinder opens towards the other one


@dataclass(frozen=True, eq=False)
class Slot:
    """An obround opening or pocket.

    body : its surface as one patch about the middle axis, ``radius_mm`` half its width
    parts : which patches it is made of
    centre_distance_mm : between the axes of its ends;  along : (3,) unit from one to the other
    form_mm : largest distance of its corners from the patches it is made of
    """

    body: Patch
    parts: tuple[int, ...]
    centre_distance_mm: float
    along: Floats
    form_mm: float


def find_slots(patches: Sequence[Patch], owner: Ints, skin: Skin, settings: DetectSettings) -> tuple[Slot, ...]:
    """Slots among joined patches; each patch serves in one slot at most."""
    ends = [index for index, patch in enumerate(patches) if _is_half_round(patch, skin)]
    if len(ends) < 2:
        return ()
    touching = _touching(owner, skin)
    slots: list[Slot] = []
    taken: set[int] = set()
    for left, right in _facing_pairs(ends, patches, skin, settings):
        if left in taken or right in taken:
            continue
        slot = _slot(left, right, patches, touching, skin)
        if slot is not None:
            slots.append(slot)
            taken.update((left, right))
    return tuple(slots)


def _is_half_round(patch: Patch, skin: Skin) -> bool:
    if patch.kind is not SurfaceKind.CYLINDER or not patch.is_internal:
        return False
    spread = _opening(patch, skin)
    # the area-weighted mean of unit radials over an arc is sin(arc / 2) / (arc / 2): 0.637 for half a round
    half = np.pi / 2
    low, high = (np.sin(a) / a for a in (half + HALF_ROUND_SLACK_RAD / 2, half - HALF_ROUND_SLACK_RAD / 2))
    return bool(low <= np.linalg.norm(spread) <= high)


def _opening(patch: Patch, skin: Skin) -> Floats:
    """(3,) area-weighted mean of the normals: towards the open side of an internal patch."""
    area = skin.area_mm2[patch.triangles]
    mean: Floats = (skin.normals[patch.triangles] * area[:, None]).sum(axis=0) / max(float(area.sum()), 1e-300)
    return mean - (mean @ patch.direction) * patch.direction


def _facing_pairs(
    ends: Sequence[int], patches: Sequence[Patch], skin: Skin, settings: DetectSettings
) -> list[tuple[int, int]]:
    """Pairs of equal half cylinders, side by side and open towards each other, nearest first."""
    size = np.array([patches[index].radius_mm for index in ends])
    axes = np.stack([canonical(patches[index].direction) for index in ends])
    slack = np.array([settings.same_length_mm, *[3 * settings.same_angle_rad] * 3])
    near = cKDTree(np.column_stack([size, axes]) / slack).query_pairs(2.0, output_type="ndarray").astype(np.int64)
    found = []
    for one, other in near.reshape(-1, 2).tolist():
        left, right = patches[ends[one]], patches[ends[other]]
        gap = _middle(right, skin) - _middle(left, skin)
        gap = gap - (gap @ left.direction) * left.direction
        distance = float(np.linalg.norm(gap))
        sides = [_opening(patch, skin) for patch in (left, right)]
        sides = [side / np.linalg.norm(side) for side in sides]
        if distance > settings.same_length_mm and min(sides[0] @ gap, -(sides[1] @ gap)) > SIDE_COSINE * distance:
            found.append((round(distance, 6), ends[one], ends[other]))
    return [(left, right) for _, left, right in sorted(found)]


def _middle(patch: Patch, skin: Skin) -> Floats:
    """(3,) point of the axis at the middle of the patch's depth."""
    along = (skin.vertices_mm[np.unique(skin.triangles[patch.triangles])] - patch.point_mm) @ patch.direction
    place: Floats = patch.point_mm + (along.min() + along.max()) / 2 * patch.direction
    return place


def _touching(owner: Ints, skin: Skin) -> dict[int, set[int]]:
    """Which patches share an edge with which."""
    near = np.where(skin.neighbours >= 0, owner[skin.neighbours], -1)
    here = np.broadcast_to(owner[:, None], near.shape)
    is_border = (here >= 0) & (near >= 0) & (near != here)
    pairs = np.unique(np.stack([here[is_border], near[is_border]], axis=1), axis=0)
    touching: dict[int, set[int]] = {}
    for one, other in pairs.tolist():
        touching.setdefault(one, set()).add(other)
    return touching


def _slot(left: int, right: int, patches: Sequence[Patch], touching: dict[int, set[int]], skin: Skin) -> Slot | None:
    first, second = patches[left], patches[right]
    start, end = _middle(first, skin), _middle(second, skin)
    axis = canonical(first.direction)
    gap = end - start
    gap = gap - (gap @ axis) * axis
    distance = float(np.linalg.norm(gap))
    along = gap / distance
    flats = touching.get(left, set()) | touching.get(right, set())
    sides: dict[bool, list[int]] = {True: [], False: []}
    for index in sorted(flats):
        side = _side(patches[index], start, np.cross(axis, along), first.radius_mm)
        if side is not None:
            sides[side].append(index)
    if not (sides[True] and sides[False]):
        return None
    parts = (left, right, *sides[True], *sides[False])
    body = Patch(
        kind=SurfaceKind.CYLINDER,
        triangles=np.sort(np.concatenate([patches[index].triangles for index in parts])),
        faces=np.sort(np.concatenate([patches[index].faces for index in parts])),
        point_mm=(start + end) / 2,
        direction=axis,
        radius_mm=(first.radius_mm + second.radius_mm) / 2,
        is_internal=True,
    )
    return Slot(body, parts, distance, canonical(along), max(patches[index].form_mm(skin) for index in parts))


def _side(flat: Patch, start_mm: Floats, across_it: Floats, radius_mm: float) -> bool | None:
    """Which of the two flats this is: True on the side of ``across_it``; None if it is neither."""
    if flat.kind is not SurfaceKind.PLANE or abs(float(flat.direction @ across_it)) < SIDE_COSINE:
        return None
    height = float((start_mm - flat.point_mm) @ flat.direction)  # the slot's middle lies on the open side
    if abs(height - radius_mm) > 0.05 * radius_mm:
        return None
    return bool(flat.direction @ across_it < 0)

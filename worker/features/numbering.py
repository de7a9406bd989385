"""Numbers that stay: features in an order that the geometry alone decides.

Every length is first put into a rank of its own: values closer than ``RANK_MM`` to their neighbour
share one.  So the roundings of two exports of a part cannot swap two features, as they could
where values are rounded to steps and one happens to fall on the border of a step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from worker.features.records import Feature, FeatureKind
from worker.records import Floats, Ints

RANK_MM = 0.05  # features of one kind and size whose middles are closer along all three axes are the same
RANK_DIRECTION = 1e-3


def numbered(features: Sequence[Feature]) -> tuple[Feature, ...]:
    """The features in order, with ids.

    Planes go by direction (z, y, x; facing up first) and then from the outermost inward; all else from the
    largest radius (slot: width) down, then by the direction of its axis, then by place along x, y, z.
    """
    result: list[Feature] = []
    for kind in FeatureKind:
        own = [feature for feature in features if feature.kind is kind]
        for number, index in enumerate(_order(own), start=1):
            result.append(replace(own[index], id=f"{kind.value}-{number}"))
    return tuple(result)


def _order(own: Sequence[Feature]) -> list[int]:
    if not own:
        return []
    points = np.stack([feature.point_mm for feature in own])
    directions = np.stack([np.zeros(3) if feature.direction is None else feature.direction for feature in own])
    sizes = np.array([_size_mm(feature) for feature in own])
    facing = [ranks(-directions[:, axis], RANK_DIRECTION) for axis in (2, 1, 0)]
    places = [ranks(points[:, axis], RANK_MM) for axis in (0, 1, 2)]
    if own[0].kind is FeatureKind.PLANE:
        keys = [*facing, ranks(-np.einsum("ij,ij->i", points, directions), RANK_MM), *places]
    else:
        keys = [ranks(-sizes, RANK_MM), *facing, *places]
    return [int(index) for index in np.lexsort(tuple(reversed(keys)))]


def _size_mm(feature: Feature) -> float:
    return feature.radius_mm or feature.width_mm or 0.0


def ranks(values: Floats, gap: float) -> Ints:
    """(n,) the rank of each value (n,), equal for values joined by steps of at most ``gap``."""
    order = np.argsort(values, kind="stable")
    level = np.concatenate([[0], np.cumsum(np.diff(values[order]) > gap)]).astype(np.int64)
    result = np.empty(len(values), dtype=np.int64)
    result[order] = level
    return result

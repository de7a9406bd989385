"""What a fit to the seen part of a feature says of the whole feature.

Of a feature seen all over, the least-squares element is as sure as the noise lets it be, however bad
its form: form is the feature's own.  Form makes it unsure where it goes on unseen.  So a field of form
counts by the difference between its effect on the fit to what was seen and on a fit to the whole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from worker.fitting.robust import blocks
from worker.fitting.spatial import Patches, spacing_of
from worker.records import Bools, Floats, Ints

REACH_SPACINGS = 1.0  # places this near to a patch's middle are spoken for by it; patches are about square
MOST_UNSEEN = 120  # places that stand for what is unseen


@dataclass(frozen=True, eq=False)
class Levers:
    """How a field at some places moves the sum of weighted residuals: place (p, 3), lever (p, k)."""

    place: Floats
    lever: Floats


@dataclass(frozen=True, eq=False)
class Whole:
    """Places evenly over the whole feature: place (w, 3), rows (w, k) of derivatives there."""

    place: Floats
    rows: Floats


def field_levers(patches: Patches, whole: Whole | None, answer: Floats) -> Levers:
    """Levers of a field of form, those of the whole feature taken off where it is known.

    answer : (k, k) of the sum of weighted residuals to the motions
    """
    lever = patches.rows * patches.held[:, None]
    if whole is None or not len(whole.place):
        return Levers(patches.place, lever)
    normal = whole.rows.T @ whole.rows
    own = whole.rows @ (answer @ np.linalg.pinv(normal, hermitian=True)).T
    reach = REACH_SPACINGS * spacing_of(patches.place)[0]
    found = cKDTree(patches.place).query(whole.place)
    nearest: Ints = np.asarray(found[1], dtype=np.int64)
    is_near: Bools = np.asarray(found[0]) <= reach
    lever = lever.copy()
    np.subtract.at(lever, nearest[is_near], own[is_near])
    if is_near.all():
        return Levers(patches.place, lever)
    place, beyond = _gathered(whole.place[~is_near], own[~is_near], reach)
    return Levers(np.concatenate([patches.place, place]), np.concatenate([lever, -beyond]))


def _gathered(place: Floats, lever: Floats, edge: float) -> tuple[Floats, Floats]:
    """Places and summed levers by cubes, so large that not too many are left."""
    while True:
        cube = blocks(place, edge)
        count = int(cube.max()) + 1
        if count <= MOST_UNSEEN:
            break
        edge *= 1.25
    number = np.bincount(cube)
    middle = np.column_stack([np.bincount(cube, column) / number for column in place.T])
    return middle, np.column_stack([np.bincount(cube, column) for column in lever.T])

"""Where a corner of several faces goes when each of them moves along its own normal."""

from __future__ import annotations

import numpy as np

from worker.measuring.patches import JOIN_STEP_MM
from worker.records import Bools, Floats, Ints, Samples

FLAT_SHARE = 0.03  # of the larger eigenvalue: faces that meet within 20 degrees of flat are one, and move as their mean


def corner_shifts(place: Ints, normals: Floats, off_mm: Floats, count: int, *, flat_share: float) -> Floats:
    """Shift (count, 3) of each place that moves every face meeting there by its own amount, the least there is.

    place : (n,) of each face's sample;  normals : (n, 3) unit;  off_mm : (n,) along them
    flat_share : eigenvalues below it, of the largest at the place, are one smooth skin's: such faces move as
        their mean

    Least squares: sum of (normal . shift - off)^2; a place that no sample lies at stays.
    """
    outer, aim = np.zeros((count, 3, 3)), np.zeros((count, 3))
    np.add.at(outer, place, normals[:, :, None] * normals[:, None, :])
    np.add.at(aim, place, off_mm[:, None] * normals)
    shift: Floats = np.einsum("gij,gj->gi", np.linalg.pinv(outer, rcond=flat_share, hermitian=True), aim)
    return shift


def stitched_mm(samples: Samples, off_mm: Floats, is_rim: Bools) -> Floats:
    """Samples moved by their deviation (s, 3), those of several faces at one place moved alike: no crack opens.

    off_mm : (s,) 0 where nothing was measured;  is_rim : (s,) samples on the border of their face

    At a crease each face's deviation is kept along its own normal (least squares, shortest move).
    """
    points = samples.points_mm + off_mm[:, None] * samples.normals
    rim = np.flatnonzero(is_rim)
    if not len(rim):
        return points
    _, place = np.unique(np.round(samples.points_mm[rim] / JOIN_STEP_MM), axis=0, return_inverse=True)
    place = place.reshape(-1)
    normal = samples.normals[rim]
    move = corner_shifts(place, normal, off_mm[rim], int(place.max()) + 1, flat_share=FLAT_SHARE)
    points[rim] = samples.points_mm[rim] + move[place]
    return points

"""Where a corner of several faces goes when each of them moves along its own normal."""

from __future__ import annotations

import numpy as np

from worker.records import Floats, Ints


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

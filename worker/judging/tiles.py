"""Matrix products and factors in tiles so small that each stays on one thread.

The bits are then the same on any number of threads, and several jobs on one machine do not wait for
one another: OpenBLAS shares products of more than about 64 x 64 x 64 among threads that spin.
"""

from __future__ import annotations

import numpy as np

from worker.records import Floats

TILE = 48


def product(left: Floats, right: Floats) -> Floats:
    """Product (n, m) of left (n, k) and right (k, m)."""
    total = np.zeros((len(left), right.shape[1]))
    for row in range(0, len(left), TILE):
        for inner in range(0, left.shape[1], TILE):
            part = left[row : row + TILE, inner : inner + TILE]
            for column in range(0, right.shape[1], TILE):
                total[row : row + TILE, column : column + TILE] += (
                    part @ right[inner : inner + TILE, column : column + TILE]
                )
    return total


class Factor:
    """Cholesky factor (n, n), lower, of a positive definite matrix."""

    def __init__(self, matrix: Floats) -> None:
        """Raise ``numpy.linalg.LinAlgError`` where the matrix is not positive definite."""
        self.lower = np.tril(matrix)
        self._inverse: list[Floats] = []
        count = len(matrix)
        for start in range(0, count, TILE):
            own = slice(start, min(start + TILE, count))
            self.lower[own, own] = np.linalg.cholesky(self.lower[own, own])  # reads the lower half
            inverse = np.asarray(np.linalg.inv(self.lower[own, own]), dtype=np.float64)
            self._inverse.append(inverse)
            below = slice(own.stop, count)
            self.lower[below, own] = product(self.lower[below, own], self._inverse[-1].T)
            for row in range(own.stop, count, TILE):
                part = self.lower[row : row + TILE, own]
                left = slice(own.stop, min(row + TILE, count))
                self.lower[row : row + TILE, left] -= product(part, self.lower[left, own].T)

    @property
    def log_determinant(self) -> float:
        """Of the matrix."""
        return 2 * float(np.log(np.diag(self.lower)).sum())

    def forward(self, right: Floats) -> Floats:
        """The factor's inverse times right (n, m)."""
        solved = right.astype(np.float64)
        for number, start in enumerate(range(0, len(right), TILE)):
            own = slice(start, min(start + TILE, len(right)))
            if start:
                solved[own] -= product(self.lower[own, :start], solved[:start])
            solved[own] = product(self._inverse[number], solved[own])
        return solved

    def solve(self, right: Floats) -> Floats:
        """The matrix' inverse times right (n, m)."""
        solved = self.forward(right)
        starts = list(range(0, len(right), TILE))
        for number in reversed(range(len(starts))):
            own = slice(starts[number], min(starts[number] + TILE, len(right)))
            if own.stop < len(right):
                solved[own] -= product(self.lower[own.stop :, own].T, solved[own.stop :])
            solved[own] = product(self._inverse[number].T, solved[own])
        return solved

    def times(self, right: Floats) -> Floats:
        """The factor times right (n, m)."""
        return product(np.tril(self.lower), right)

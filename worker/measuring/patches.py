"""Connected patches of samples, and extremes that a single noisy sample cannot make."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.records import Bools, Floats, Ints, Samples

BLUNT_RAD = (np.radians(10.0), np.radians(75.0))  # between normals: less is no edge, more lies beyond pairing
JOIN_STEP_MM = 1e-5  # samples of two faces at one place are one place; exact surfaces agree far below this


@dataclass(frozen=True, eq=False)
class Patch:
    """One connected patch.  samples : (k,) int64 indices; area_mm2 : their area."""

    samples: Ints
    area_mm2: float


class SampleNet:
    """Which samples are neighbours, within faces and across creases."""

    def __init__(self, samples: Samples) -> None:
        self.samples = samples

    @cached_property
    def is_rim(self) -> Bools:
        """(s,) samples on the border of their face, at a crease or an open edge."""
        triangles, count = self.samples.triangles, len(self.samples.points_mm)
        following = np.roll(triangles, -1, axis=1)
        key = np.sort(triangles.ravel() * count + following.ravel())
        back = following.ravel() * count + triangles.ravel()
        at = np.minimum(np.searchsorted(key, back), len(key) - 1)
        is_rim = np.zeros(count, dtype=bool)
        is_open = key[at] != back
        is_rim[triangles.ravel()[is_open]] = is_rim[following.ravel()[is_open]] = True
        return is_rim

    @cached_property
    def is_at_blunt_edge(self) -> Bools:
        """(s,) samples where their face meets another at a blunt edge, and their neighbours.

        Where one of the two is displaced, points near its border pass for the other's: they face nearly its way.
        """
        rim = np.flatnonzero(self.is_rim)
        _, group = np.unique(self._place[rim], return_inverse=True)
        group = group.reshape(-1)
        count = np.bincount(group)
        mean = np.column_stack([np.bincount(group, part) / count for part in self.samples.normals[rim].T])
        length = np.linalg.norm(mean, axis=1)  # of two unit normals: the cosine of half the angle between them
        is_blunt = (length > np.cos(BLUNT_RAD[1] / 2)) & (length < np.cos(BLUNT_RAD[0] / 2))
        at_edge = np.zeros(len(self.is_rim), dtype=bool)
        at_edge[rim[is_blunt[group]]] = True
        triangles = self.samples.triangles
        at_edge[triangles[at_edge[triangles].any(axis=1)].ravel()] = True
        return at_edge

    @cached_property
    def _place(self) -> Ints:
        """(s,) number of the place each sample lies at; samples on both sides of a crease share one."""
        rim = np.flatnonzero(self.is_rim)
        _, same = np.unique(np.round(self.samples.points_mm[rim] / JOIN_STEP_MM), axis=0, return_inverse=True)
        place = np.arange(len(self.is_rim))
        place[rim] = len(place) + same.reshape(-1)
        return place

    def patches(self, is_member: Bools) -> list[Patch]:
        """Connected patches of the marked samples (s,), largest first; none marked gives none."""
        member = np.flatnonzero(is_member)
        if not len(member):
            return []
        triangles = self.samples.triangles
        inside = is_member[triangles]
        rows = np.flatnonzero(inside.sum(axis=1) >= 2)
        pairs = [(triangles[rows, a], triangles[rows, b]) for a, b in ((0, 1), (1, 2), (2, 0))]
        start, end = (np.concatenate(side) for side in zip(*pairs, strict=True))
        both = is_member[start] & is_member[end]
        place = self._place
        start, end = np.concatenate([start[both], member]), np.concatenate([end[both], member])
        nodes, index = np.unique(np.concatenate([place[start], place[end]]), return_inverse=True)
        index = index.reshape(2, -1)
        graph = coo_array((np.ones(index.shape[1], dtype=np.int8), (index[0], index[1])), shape=(len(nodes),) * 2)
        _, label = connected_components(graph, directed=False)
        own = label[np.searchsorted(nodes, place[member])]
        order = np.argsort(own, kind="stable")
        parts = np.split(member[order], np.flatnonzero(np.diff(own[order])) + 1)
        found = [Patch(part, float(self.samples.area_mm2[part].sum())) for part in parts]
        return sorted(found, key=lambda patch: (-patch.area_mm2, int(patch.samples[0])))

    def smooth(self, values: Floats, is_valid: Bools, *, rounds: int = 1) -> Floats:
        """Mean of each valid sample with its valid neighbours inside its face (s,), ``rounds`` times over."""
        triangles = self.samples.triangles
        triangles = triangles[np.logical_or.reduce([is_valid[corner] for corner in triangles.T])]
        corner, sides = triangles.ravel(), [np.ascontiguousarray(side) for side in triangles.T]
        weight = [is_valid[side].astype(np.float64) for side in sides]
        count = len(values)
        number = np.bincount(corner, np.repeat(weight[0] + weight[1] + weight[2], 3), minlength=count)
        for _ in range(rounds):
            first, second, third = (values[side] * own for side, own in zip(sides, weight, strict=True))
            total = np.bincount(corner, np.repeat(first + second + third, 3), minlength=count)
            values = np.where(is_valid & (number > 0), total / np.where(number > 0, number, 1.0), values)
        return values

"""An element and the facets on it: neighbours taken in while their corners lie on the surface."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from worker.features.element_fit import ROUND, Facets, Tolerance, fitted, middles, outward
from worker.features.flats import Flats
from worker.features.patches import Patch
from worker.features.segment_settings import SegmentSettings
from worker.features.skin import Skin, ragged
from worker.records import Bools, Floats, Ints, SurfaceKind

SAG_FACTOR = 2.5  # chords of one element are alike within their double, and a seam's may be longer
REFIT_GROWTH = 1.5  # the element is fitted again whenever its facets have become that many times more


@dataclass(eq=False)
class Work:
    """What is known so far.

    is_taken : (f,) facets that belong to an element, or are given up
    is_plane : (f,) facets that look like planes; an element may still claim one
    patches : elements found
    neighbour, first : facets across smooth borders; those of facet k from first[k] to first[k + 1]
    """

    skin: Skin
    flats: Flats
    settings: SegmentSettings
    tolerance: Tolerance
    is_taken: Bools
    is_plane: Bools
    neighbour: Ints
    first: Ints
    patches: list[Patch] = field(default_factory=list)

    def take(self, flats: Ints, patch: Patch | None) -> None:
        """Mark the facets; None gives them up."""
        self.is_taken[flats] = True
        if patch is not None:
            own = np.concatenate([self.flats.triangles_of(flats), self._parts_on(flats, patch)])
            self.patches.append(replace(patch, triangles=np.sort(own)))

    def _parts_on(self, flats: Ints, patch: Patch) -> Ints:
        """Triangles on the element that belong to facets which run on beyond it."""
        near = np.setdiff1d(self.around(flats), flats)
        near = near[~self.is_plane[near]]
        triangles = self.flats.triangles_of(near)
        corners = self.skin.triangles[triangles]
        off = np.abs(patch.offsets_mm(self.skin.vertices_mm[corners.ravel()])).reshape(-1, 3).max(axis=1)
        is_on = (off < self.tolerance.most_mm) & self.flats.is_corner[corners].all(axis=1)
        facing = np.einsum("ij,ij->i", self.skin.normals[triangles], outward(patch, middles(triangles, self.skin)))
        parts: Ints = triangles[is_on & (np.abs(facing) > np.cos(self.settings.normal_rad))]
        return parts

    def around(self, flats: Ints) -> Ints:
        """Untaken facets across a smooth border from these, each once, these included."""
        near = self.neighbour[ragged(self.first[flats], self.first[flats + 1] - self.first[flats])]
        return np.union1d(flats, near[~self.is_taken[near]])

    def fit(self, flats: Ints, kinds: frozenset[SurfaceKind] = ROUND) -> Patch | None:
        """The element through these facets."""
        triangles = self.flats.triangles_of(flats)
        return fitted(Facets(triangles, self.skin, self.flats.is_corner), self.tolerance, kinds)


def work_on(skin: Skin, flats: Flats, is_plane: Bools, settings: SegmentSettings) -> Work:
    """Nothing taken yet."""
    count = len(flats.area_mm2)
    one, other = np.concatenate([flats.left, flats.right]), np.concatenate([flats.right, flats.left])
    order = np.argsort(one, kind="stable")
    tolerance = Tolerance(
        max(settings.fit_grains * flats.grain_mm, settings.rim_mm),
        max(settings.rms_grains * flats.grain_mm, settings.rms_mm),
    )
    first = np.searchsorted(one[order], np.arange(count + 1))
    is_taken = np.zeros(count, dtype=np.bool_)
    return Work(skin, flats, settings, tolerance, is_taken, is_plane, other[order], first)


def grown(work: Work, flats: Ints, patch: Patch) -> tuple[Ints, Patch]:
    """Facets of the element, from those given outward, and the element through all of them."""
    fitted_count = len(flats)
    frontier, sag = flats, _sag_mm(work, flats, patch)[1].max(initial=0.0)
    while True:
        near = np.setdiff1d(work.around(frontier), flats)
        frontier = near[_is_on(work, near, patch, sag)] if len(near) else near
        if len(frontier):
            flats = np.union1d(flats, frontier)
        if len(flats) > REFIT_GROWTH * fitted_count or (not len(frontier) and len(flats) > fitted_count):
            better = work.fit(flats)
            fitted_count = len(flats)
            patch = better if better is not None and better.kind is patch.kind else patch
            frontier = flats if better is not None and not len(frontier) else frontier
        elif not len(frontier):
            return flats, patch


def _is_on(work: Work, near: Ints, patch: Patch, sag_mm: float) -> Bools:
    """Which facets have all corners on the element, face its way, and are not far wider than its own.

    The last keeps a flat milled on a shaft, whose corners lie on the round, out of the round.
    """
    worst, sag = _sag_mm(work, near, patch)
    sign = -1.0 if patch.is_internal else 1.0
    facing: Floats = sign * np.einsum("ij,ij->i", work.flats.normal[near], outward(patch, work.flats.centre_mm[near]))
    is_like = sag < SAG_FACTOR * sag_mm + work.tolerance.most_mm
    is_on: Bools = (worst < work.tolerance.most_mm) & is_like & (facing > np.cos(work.settings.normal_rad))
    return is_on


def _sag_mm(work: Work, flats: Ints, patch: Patch) -> tuple[Floats, Floats]:
    """(n,) farthest corner of each facet from the element, and (n,) farthest place of an edge."""
    begin = work.flats.begin
    counts = begin[flats + 1] - begin[flats]
    corners = work.skin.triangles[work.flats.order[ragged(begin[flats], counts)]]
    points = work.skin.vertices_mm[corners]
    middles = (points + np.roll(points, 1, axis=1)) / 2
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    off, between = (np.abs(patch.offsets_mm(item.reshape(-1, 3))).reshape(-1, 3) for item in (points, middles))
    at = np.where(work.flats.is_corner[corners], off, 0.0).max(axis=1)
    sag = np.maximum(off.max(axis=1), between.max(axis=1))
    return np.maximum.reduceat(at, starts), np.maximum.reduceat(sag, starts)

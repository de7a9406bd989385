"""Whether the part can slide: weak motions are tried, and the residuals say whether they notice.

The information matrix answers for the normals it is given.  Facets and the noise of a measured
nominal make a round bore look as if it held its own rotation, while a small keyway is worth little
beside the area of a shaft although it holds it well.  Trying tells the two apart: where only facets
resist, no point's residual changes by more than a small share of the push.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.aligning.pairs import Pairs
from worker.records import Bools, Floats


@dataclass(frozen=True, kw_only=True)
class SlideSettings:
    """Which motions are tried, how far, and what must come of it."""

    tried_under: float = 0.02  # eigenvalue over the largest; a plain box has 0.2, a shaft with a keyway 0.003
    sigmas: float = 10.0  # of the residuals: the push, so that one that is noticed stands out of the noise
    least_share: float = 0.001  # of the diagonal: the least push, so that facets and roughness average out
    held_from: float = 1e-4  # mean square residual over that of a push on the best-held motion; a burr gives 1e-5
    facet_slope: float = 0.2  # residual over push below which a facet is not heard: facets lean by up to 0.1 rad
    same_face_cos: float = 0.9  # a point pushed past the rim of its face meets another: that is no hold
    point_count: int = 40_000  # a pin hole of a thousandth of the area then has forty
    significance: float = 3.0  # standard errors that the mean must lie above nothing


def push_length_mm(sigma_mm: float, diagonal_mm: float, settings: SlideSettings) -> float:
    """How far the surface is moved to try a motion."""
    return max(settings.sigmas * sigma_mm, settings.least_share * diagonal_mm)


def is_held(eigenvalues: Floats, noticed: Floats, settings: SlideSettings) -> Bools:
    """(6,) motions that are held: strong by their eigenvalue, or weak but noticed when tried.

    noticed : (6,) from :func:`noticed_share`; not read where the eigenvalue is not weak
    """
    held: Bools = (eigenvalues >= settings.tried_under) | (noticed > settings.held_from)
    return held


def noticed_share(before: Pairs, pushed: tuple[Pairs, Pairs], push_mm: float, settings: SlideSettings) -> float:
    """Rise of the mean square residual over the squared push, both ways; 0 where it is lost in the noise.

    before, pushed : pairs of the same points at the pose, and pushed by ``push_mm`` forth and back

    Points that lose their face (over a hole, past the rim) say nothing of sliding and are left out.
    """
    rises = [_rise(before, pairs, push_mm, settings) for pairs in pushed]
    rise = np.mean(rises, axis=0) / push_mm**2
    mean, error = float(rise.mean()), float(rise.std()) / np.sqrt(len(rise))
    return mean if mean > settings.significance * error else 0.0


def _rise(before: Pairs, after: Pairs, push_mm: float, settings: SlideSettings) -> Floats:
    limit = (3.0 * push_mm) ** 2
    rise = np.minimum(after.residual_mm**2, limit) - np.minimum(before.residual_mm**2, limit)
    is_plain = np.abs(after.residual_mm - before.residual_mm) > settings.facet_slope * push_mm
    is_same_face = np.einsum("ij,ij->i", before.direction, after.direction) > settings.same_face_cos
    is_heard = is_same_face & (is_plain | (before.is_exact & after.is_exact))
    rises: Floats = np.where(is_heard, np.minimum(before.trust, after.trust) * rise, 0.0)
    return rises

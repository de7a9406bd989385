"""Standard uncertainties by source, and what they come to."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from shared.plan import Plan
from worker.judging.verdicts import COVERAGE_FACTOR
from worker.records import Alignment, Deviation, Floats, Nominal, Samples, SurfaceKind

UNIFORM = 1.0 / float(np.sqrt(12.0))  # standard deviation of a value known to lie within one step


def scanner_sigma_mm(plan: Plan) -> float:
    """Half of the stated expanded uncertainty; 0 where nothing is stated, which the report says."""
    return 0.0 if plan.scanner is None else plan.scanner.expanded_uncertainty / COVERAGE_FACTOR


def alignment_sigma_mm(alignment: Alignment, points_mm: Floats, directions: Floats) -> Floats:
    """Standard uncertainty (n,) of the pose at points (n, 3) along unit directions (n, 3)."""
    if alignment.freedom is None:
        return np.zeros(len(points_mm))
    lever = points_mm - alignment.freedom.centre_mm
    row = np.concatenate([np.cross(lever, directions), directions], axis=1)
    variance = np.einsum("ij,ij->i", row @ alignment.freedom.covariance, row)
    sigma: Floats = np.sqrt(np.maximum(variance, 0.0))
    return sigma


def facet_sigma_mm(nominal: Nominal, samples: Samples) -> Floats:
    """Standard uncertainty (s,) of measuring to facets: none on analytic faces, else uniform within the chord."""
    if nominal.chord_tolerance_mm is None:
        return np.zeros(len(samples.face))
    is_freeform = np.array([face.kind is SurfaceKind.FREEFORM for face in nominal.faces], dtype=bool)
    sigma: Floats = np.where(is_freeform[samples.face], UNIFORM * nominal.chord_tolerance_mm, 0.0)
    return sigma


def deviation_sigma_mm(
    plan: Plan, nominal: Nominal, samples: Samples, alignment: Alignment, deviation: Deviation
) -> dict[str, Floats]:
    """Standard uncertainty of the deviation at each sample, by source, each (s,).

    The input's own quantisation is part of the scan's noise where it is smaller than that; the
    stages above add it by itself.
    """
    count = len(samples.face)
    return {
        "scanner": np.full(count, scanner_sigma_mm(plan)),
        "alignment": alignment_sigma_mm(alignment, samples.points_mm, samples.normals),
        "scan noise": deviation.sigma_mm,
        "facets of nominal": facet_sigma_mm(nominal, samples),
    }


def expanded_map_mm(sources: Mapping[str, Floats]) -> Floats:
    """U (s,), k = 2, from standard uncertainties by source."""
    total: Floats = COVERAGE_FACTOR * np.sqrt(np.sum([sigma**2 for sigma in sources.values()], axis=0))
    return total

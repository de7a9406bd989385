"""Rods and the surfaces they pass, as the stages before would hand them over."""

from __future__ import annotations

import numpy as np

from tests.support.shapes import COARSE
from worker.measuring.patches import SampleNet
from worker.measuring.samples import sample_nominal, trusted_faces
from worker.passages.clearance import clearance
from worker.passages.records import Clearance, Rod, Surface
from worker.passages.skin import skin_near
from worker.records import Floats, Nominal

Point = tuple[float, float, float]
REACH_MM = 16.0


def surface_of(nominal: Nominal, offset_mm: Floats | float = 0.0) -> Surface:
    """Nominal's own surface, all of it seen, each sample moved along its normal by its offset."""
    samples = sample_nominal(nominal, settings=COARSE)
    count = len(samples.face)
    return Surface(
        samples=samples,
        offset_mm=np.broadcast_to(np.asarray(offset_mm, dtype=np.float64), (count,)).copy(),
        is_seen=np.ones(count, dtype=bool),
        is_rim=SampleNet(samples).is_rim,
        table=trusted_faces(nominal),
        join_mm=max(1e-5, 1.5 * (nominal.chord_tolerance_mm or 0.0)),
    )


def rod(start: Point, end: Point, start_travel: Point | None = None, end_travel: Point | None = None) -> Rod:
    """A rod between points."""
    ends = [None if point is None else np.array(point) for point in (start_travel, end_travel)]
    return Rod.between(np.array(start), np.array(end), ends[0], ends[1])


def cleared(surface: Surface, one: Rod) -> Clearance:
    """Clearance of a rod from all of a surface."""
    found = clearance(skin_near(surface, one, REACH_MM), one)
    assert found is not None
    return found

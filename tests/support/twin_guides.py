"""Two upright guides over two throats, each the other's image along x: siblings to compare in their own ports."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tests.support.guide_corner import plan_of, scanned
from tests.support.shapes import deviation_of, perfect_alignment
from tests.support.solids import Tool, box, cut_named, cylinder, tessellated
from worker.features.detect import detect_features
from worker.judging.measured import Measured
from worker.measuring.regions import Places, choose_regions
from worker.records import Nominal, Scan

AT_MM = ((20.0, 20.0), (70.0, 20.0))  # x, y of both, mirrored about x = 45
THROAT_RADIUS_MM, GUIDE_RADIUS_MM = 9.0, 3.0
TWIN_REGIONS = [{"name": name, "face_names": [name]} for name in ("left", "right")]


@dataclass(frozen=True)
class Twins:
    """Shifts x, y of the throats; the guides stay where they are drawn."""

    left_mm: tuple[float, float] = (0.0, 0.0)
    right_mm: tuple[float, float] = (0.0, 0.0)


@lru_cache(maxsize=8)
def _block(faults: Twins) -> Nominal:
    tools = []
    for name, (x, y), (dx, dy) in zip(("left", "right"), AT_MM, (faults.left_mm, faults.right_mm), strict=True):
        tools.append(Tool(name, cylinder((x + dx, y + dy, -5), (0, 0, 1), THROAT_RADIUS_MM, 25)))
        tools.append(Tool("guide", cylinder((x, y, 10), (0, 0, 1), GUIDE_RADIUS_MM, 40)))
    return tessellated(*cut_named(box((0, 0, 0), (90, 40, 40)), tools), angle_rad=0.2, with_surfaces=True)


@lru_cache(maxsize=12)
def twins(faults: Twins, seed: int = 0, noise_mm: float = 0.0) -> Measured:
    """A piece scanned in place."""
    nominal = _block(Twins())
    points, normals = scanned(_block(faults), np.random.default_rng(seed), noise_mm)
    samples, deviation = deviation_of(nominal, Scan(points, normals, None, "mm", 0.0))
    features = detect_features(nominal)
    plan = plan_of(regions=TWIN_REGIONS)
    return Measured(
        nominal=nominal,
        samples=samples,
        alignment=perfect_alignment(),
        deviation=deviation,
        thickness=None,
        regions=choose_regions(plan, Places(nominal, samples, (), features)),
        quantum_mm=0.0,
        features=features,
    )

"""A plate with two bores and a pocket as moves are tried on it, and a noisy scan of a piece whose first bore is off.

The plate is 60 x 40 x 12 mm; bores of 12 mm through it at (18, 20) and (42, 20); the pocket, 8 x 24 mm, leaves a
floor of 4 mm, and a wall of 4 mm to the far end.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from shared.plan import Plan
from tests.support.shapes import COARSE, perfect_alignment
from tests.support.solids import box, cut, cylinder, tessellated
from worker.features.detect import detect_features
from worker.judging.measured import Measured
from worker.measuring.analytic import exact_distance
from worker.measuring.deviation import measure_deviation
from worker.measuring.regions import Places, choose_regions
from worker.measuring.samples import sample_nominal, trusted_faces
from worker.measuring.thickness import measure_thickness
from worker.records import Body, Floats, Nominal, Scan, SurfaceKind
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

NOISE_MM, POINT_COUNT = 0.01, 30_000
OFF_MM = np.array([0.1, 0.05, 0.0])  # of the first bore
BORE_1, BORE_2 = {"point": [18, 20, 6]}, {"point": [42, 20, 6]}
LEFT, FRONT, BACK = {"point": [0, 5, 6]}, {"point": [5, 0, 6]}, {"point": [5, 40, 6]}


@lru_cache(maxsize=1)
def plate() -> Nominal:
    """The plate, its faces known as those of a STEP file."""
    tools = [cylinder((x, 20, -1), (0, 0, 1), 6, 14) for x in (18, 42)] + [box((48.5, 8, 4), (7.5, 24, 10))]
    return tessellated(cut(box((0, 0, 0), (60, 40, 12)), tools), chord_mm=0.02, with_surfaces=True)


def face_at(kind: SurfaceKind, point_mm: Floats) -> int:
    """The face of a kind whose triangles have a vertex at, or an axis through, a point."""
    nominal = plate()
    for face in nominal.faces:
        corners = nominal.vertices_mm[nominal.triangles[nominal.triangle_face == face.index].ravel()]
        low, high = corners.min(axis=0) - 1e-6, corners.max(axis=0) + 1e-6
        if face.kind is kind and (low <= point_mm).all() and (point_mm <= high).all():
            return face.index
    raise AssertionError(f"no {kind.value} at {point_mm}")


def end_wall_faces() -> tuple[int, int]:
    """The pocket's side toward the far end, and the far end."""
    spots = ([56.0, 20.0, 8.0], [60.0, 20.0, 6.0])
    first, second = (face_at(SurfaceKind.PLANE, np.array(spot)) for spot in spots)
    return first, second


def whatif_plan(*lines: dict[str, Any], **rest: Any) -> Plan:
    """A plan of these lines, with the end wall's two sides and the first bore as regions."""
    inner, outer = end_wall_faces()
    regions = [
        {"name": "pocket end", "faces": [inner]},
        {"name": "far end", "faces": [outer]},
        {"name": "bore", "feature": BORE_1},
    ]
    return Plan.model_validate(
        {"firstpour_plan": "1", "regions": regions, "characteristics": list(lines), **rest}
    ).to_mm()


@lru_cache(maxsize=2)
def measured_plate(*, noise_mm: float = NOISE_MM) -> Measured:
    """The piece: its first bore off by ``OFF_MM``, noise along the normals."""
    nominal = plate()
    samples = sample_nominal(nominal, settings=COARSE)
    surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles)
    features = detect_features(nominal)
    pose = RigidTransform.identity()
    deviation = measure_deviation(nominal, samples, _scan(nominal, noise_mm), pose, surface=surface)
    plan = whatif_plan()
    block = replace(nominal, vertices_mm=nominal.vertices_mm + np.array([0.0, 0.0, 20.0]))
    return Measured(
        nominal=nominal,
        samples=samples,
        alignment=perfect_alignment(sigma_mm=0.001),
        deviation=deviation,
        thickness=measure_thickness(samples, surface, deviation, spot_limit_mm=None),
        regions=choose_regions(plan, Places(nominal, samples, (), features)),
        quantum_mm=1e-5,
        features=features,
        bodies=(Body("rocker", "part", block.vertices_mm, block.triangles),),
    )


def _scan(nominal: Nominal, noise_mm: float) -> Scan:
    """Points on the exact surfaces, the first bore's moved, all moved along their normals by noise."""
    rng = np.random.default_rng(5)
    corners = nominal.vertices_mm[nominal.triangles]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    triangle = rng.choice(len(area), size=POINT_COUNT, p=area / area.sum())
    points = np.einsum("ij,ijk->ik", rng.dirichlet([1.0, 1.0, 1.0], size=POINT_COUNT), corners[triangle])
    face = nominal.triangle_face[triangle]
    off, normals, _ = exact_distance(trusted_faces(nominal), face, points)
    points = points - off[:, None] * normals
    is_bore = face == face_at(SurfaceKind.CYLINDER, np.array([18.0, 20.0, 6.0]))
    points[is_bore] += OFF_MM
    return Scan(points + rng.normal(scale=noise_mm, size=(POINT_COUNT, 1)) * normals, normals, None, "mm", 0.0)

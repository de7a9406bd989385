"""The cylinder, cone or sphere through the corners of facets, if there is one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.features.patches import Patch
from worker.features.skin import Skin, unit
from worker.fitting.records import ElementKind
from worker.fitting.search import sphere_start, with_direction
from worker.fitting.shapes import Shape, distances
from worker.fitting.solve import plain_fit
from worker.records import Bools, Floats, Ints, SurfaceKind

LEAST_CORNERS = {ElementKind.CYLINDER: 6, ElementKind.CONE: 7, ElementKind.SPHERE: 5}
KIND = {
    ElementKind.CYLINDER: SurfaceKind.CYLINDER,
    ElementKind.CONE: SurfaceKind.CONE,
    ElementKind.SPHERE: SurfaceKind.SPHERE,
}
ROUND = frozenset(KIND.values())
CORNER_LIMIT = 4000  # evenly chosen; the answer is checked on all
LEAST_TAPER_RAD = np.radians(0.05)  # below it a cone is a cylinder: 0.9 um on a millimetre
MOST_TAPER_RAD = np.radians(88.0)
ROUGHEST = 0.03  # of the corners' extent; the linear start of an element that is there lies far nearer
FLATTEST = 30.0  # radius over the extent of the corners: more is a plane as well


@dataclass(frozen=True)
class Tolerance:
    """How near corners must lie to be on an element: each of them, and as root mean square.

    The second tells a true element from a slice of something rounder, whose corners stray little by little.
    """

    most_mm: float
    rms_mm: float


@dataclass(frozen=True, eq=False)
class Facets:
    """Triangles to fit to.

    triangles : (t,) int64, of the skin
    is_corner : (n,) which vertices are corners of facets; others count only through the facets' normals
    """

    triangles: Ints
    skin: Skin
    is_corner: Bools


def fitted(facets: Facets, tolerance: Tolerance, kinds: frozenset[SurfaceKind] = ROUND) -> Patch | None:
    """The element of one of the kinds on which all corners lie; cylinder before cone before sphere."""
    triangles, skin, is_corner = facets.triangles, facets.skin, facets.is_corner
    used = np.unique(skin.triangles[triangles])
    corners = skin.vertices_mm[used[is_corner[used]]]
    if len(corners) < LEAST_CORNERS[ElementKind.SPHERE]:
        return None
    centre = corners.mean(axis=0)
    size = float(np.sqrt(((corners - centre) ** 2).sum(axis=1).mean()))
    if size <= 0:
        return None
    columns = np.ascontiguousarray(((corners - centre) / size).T)
    few = columns[:, :: max(1, columns.shape[1] // CORNER_LIMIT)]
    for kind, start in _starts(triangles, skin, few):
        if columns.shape[1] < LEAST_CORNERS[kind] or start is None or KIND[kind] not in kinds:
            continue
        found = _settled(start, few, columns, Tolerance(tolerance.most_mm / size, tolerance.rms_mm / size))
        if found is not None and _is_sound(found):
            return _patch(found.scaled(size, centre), triangles, skin)
    return None


def _starts(triangles: Ints, skin: Skin, columns: Floats) -> list[tuple[ElementKind, Shape | None]]:
    normals, area = skin.normals[triangles], skin.area_mm2[triangles]
    scatter = (normals * area[:, None]).T @ normals
    mean = (normals * area[:, None]).sum(axis=0) / max(float(area.sum()), 1e-300)
    about = scatter / max(float(area.sum()), 1e-300) - np.outer(mean, mean)
    great, small = np.linalg.eigh(scatter)[1][:, 0], np.linalg.eigh(about)[1][:, 0]
    return [
        (ElementKind.CYLINDER, with_direction(ElementKind.CYLINDER, columns, great)),
        (ElementKind.CONE, with_direction(ElementKind.CONE, columns, small)),
        (ElementKind.CONE, with_direction(ElementKind.CONE, columns, great)),
        (ElementKind.SPHERE, sphere_start(columns)),
    ]


def _settled(start: Shape, few: Floats, columns: Floats, tolerance: Tolerance) -> Shape | None:
    rough, _ = _misfit(start, few)
    if rough > ROUGHEST:
        return None
    found = start if rough < 0.1 * tolerance.rms_mm else plain_fit(start, few, np.ones(few.shape[1])).shape
    worst, rms = _misfit(found, columns)
    return found if worst < tolerance.most_mm and rms < tolerance.rms_mm else None


def _misfit(shape: Shape, columns: Floats) -> tuple[float, float]:
    """Largest and root mean square distance, infinite where the element is none."""
    if not (np.isfinite(shape.radius) and np.isfinite(shape.point).all()):
        return np.inf, np.inf
    found = distances(shape, columns)[0]
    return float(np.abs(found).max()), float(np.sqrt((found**2).mean()))


def _is_sound(shape: Shape) -> bool:
    if not 0 < shape.radius < FLATTEST:
        return False
    return shape.kind is not ElementKind.CONE or LEAST_TAPER_RAD < abs(shape.half_angle) < MOST_TAPER_RAD


def _patch(shape: Shape, triangles: Ints, skin: Skin) -> Patch | None:
    if shape.kind is ElementKind.CONE:
        shape = shape.placed_near(shape.point)
    patch = Patch(
        kind=KIND[shape.kind],
        triangles=triangles,
        faces=np.empty(0, dtype=np.int64),
        point_mm=shape.point,
        direction=np.zeros(3) if shape.kind is ElementKind.SPHERE else shape.direction,
        radius_mm=shape.radius,
        half_angle_rad=shape.half_angle if shape.kind is ElementKind.CONE else 0.0,
    )
    facing = np.einsum("ij,ij->i", skin.normals[triangles], outward(patch, middles(triangles, skin)))
    inward = facing < 0
    area = skin.area_mm2[triangles]
    share = float(area[inward].sum()) / max(float(area.sum()), 1e-300)
    if 0.05 < share < 0.95:
        return None  # a surface has one side
    return replace(patch, is_internal=share > 0.5)


def middles(triangles: Ints, skin: Skin) -> Floats:
    """(t, 3) centroids of triangles."""
    result: Floats = skin.vertices_mm[skin.triangles[triangles]].mean(axis=1)
    return result


def outward(patch: Patch, points_mm: Floats) -> Floats:
    """(n, 3) unit normals of the element away from its axis or centre, at points near it."""
    gap = points_mm - patch.point_mm
    if patch.kind is SurfaceKind.SPHERE:
        return unit(gap)
    radial = unit(gap - (gap @ patch.direction)[:, None] * patch.direction)
    result: Floats = np.cos(patch.half_angle_rad) * radial - np.sin(patch.half_angle_rad) * patch.direction
    return result

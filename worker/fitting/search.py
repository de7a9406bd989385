"""Where to start a fit that was told nothing: elements through few points, tried on all of them.

Principal axes, a grid of directions and the normals of small neighbourhoods (the Gauss image: a
great circle for a cylinder, a small circle for a cone) propose; random minimal sets (M. Fischler,
R. Bolles, Comm. ACM 24(6), 1981) with a fixed seed help where much is not the element.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from worker.fitting.records import ElementKind
from worker.fitting.shapes import Shape, across, along, distances
from worker.fitting.solve import Settled, robust_fit
from worker.records import Floats

SEED = 20_240_229  # any
TRIED_POINTS = 1_500  # show a shape as well as a million do
TRIES = 300  # three of four points on the element: a clean set of four is missed once in e^95
DIRECTION_COUNT = 240  # of a half sphere: none farther than 6 degrees
FINALISTS = 8
COUNTED_SHARE = 0.6  # nearest share of the points that a trial is judged by: two in five may be burr and flash
NEIGHBOURS = 12
LEAST_FOR_NORMALS = 100


def found_start(kind: ElementKind, columns: Floats, floor: float) -> Shape | None:
    """The best element of this kind near columns (3, n) about their centroid, of unit size; None if none came out."""
    rng = np.random.default_rng(SEED)
    count = columns.shape[1]
    chosen = columns if count <= TRIED_POINTS else columns[:, np.sort(rng.permutation(count)[:TRIED_POINTS])]
    trials = [item for item in _trials(kind, chosen, rng) if _is_sound(item)]
    trials = sorted(trials, key=lambda item: misfit(item, chosen))[:FINALISTS]
    even = np.ones(chosen.shape[1])
    rested = [robust_fit(Settled(item, even, even, True), chosen, even, floor).shape for item in trials]
    sound = [item for item in rested + trials if _is_sound(item)]
    return min(sound, key=lambda item: misfit(item, chosen), default=None)


def misfit(shape: Shape, columns: Floats) -> float:
    """Mean distance of the nearest 60 % of columns (3, n)."""
    found = distances(shape, columns)
    length = np.sqrt((found**2).sum(axis=0))
    kept = max(1, int(COUNTED_SHARE * len(length)))
    return float(np.partition(length, kept - 1)[:kept].mean())


def with_direction(kind: ElementKind, columns: Floats, direction: Floats) -> Shape | None:
    """Circle, cylinder or cone along a known direction through columns (3, n): linear least squares."""
    if kind is ElementKind.CONE:
        return _cone(columns, direction)
    return _round(kind, columns, direction)


def _trials(kind: ElementKind, columns: Floats, rng: np.random.Generator) -> list[Shape]:
    count = columns.shape[1]
    if kind in (ElementKind.LINE, ElementKind.PLANE):
        return _flat_trials(kind, columns, rng)
    if kind is ElementKind.SPHERE:
        sets = [np.arange(count), *(rng.choice(count, 4, replace=False) for _ in range(TRIES))]
        return [item for item in (sphere_start(columns[:, rows]) for rows in sets) if item is not None]
    if kind is ElementKind.CIRCLE:
        planes = sorted(_flat_trials(ElementKind.PLANE, columns, rng), key=lambda item: misfit(item, columns))[:3]
        sets = [np.arange(count), *(rng.choice(count, 3, replace=False) for _ in range(TRIES // 3))]
        tried = [_round(kind, columns[:, rows], plane.direction) for plane in planes for rows in sets]
        return [item for item in tried if item is not None]
    directions = np.concatenate([_principal(columns), _gauss_axes(kind, columns, rng), _half_sphere(DIRECTION_COUNT)])
    found = [with_direction(kind, columns, item) for item in directions]
    best = sorted((item for item in found if item is not None), key=lambda item: misfit(item, columns))
    if kind is ElementKind.CYLINDER:
        for trial in best[:FINALISTS]:
            few = (rng.choice(count, 3, replace=False) for _ in range(TRIES // 10))
            found.extend(_round(kind, columns[:, rows], trial.direction) for rows in few)
    return [item for item in found if item is not None]


def _flat_trials(kind: ElementKind, columns: Floats, rng: np.random.Generator) -> list[Shape]:
    """Line or plane by principal axes, and through random pairs or triples."""
    axes = _principal(columns)
    trials = [Shape(kind, columns.mean(axis=1), axes[0] if kind is ElementKind.LINE else axes[2])]
    for _ in range(TRIES):
        first, second, third = columns[:, rng.choice(columns.shape[1], 3, replace=False)].T
        direction = second - first if kind is ElementKind.LINE else np.cross(second - first, third - first)
        length = float(np.linalg.norm(direction))
        if length > 1e-9:
            trials.append(Shape(kind, first, direction / length).placed_near(np.zeros(3)))
    return trials


def _principal(columns: Floats) -> Floats:
    """Principal axes (3, 3), longest first."""
    offset = columns - columns.mean(axis=1)[:, None]
    axes: Floats = np.linalg.eigh(offset @ offset.T)[1].T[::-1]
    return axes


def _half_sphere(count: int) -> Floats:
    """Even directions (count, 3) by the golden spiral."""
    index = np.arange(count) + 0.5
    height = index / count
    turn = np.pi * (1 + 5**0.5) * index
    flat = np.sqrt(1 - height**2)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height])


def _gauss_axes(kind: ElementKind, columns: Floats, rng: np.random.Generator) -> Floats:
    """Axes (k, 3) that the normals of neighbourhoods point at: square to them, or all at one angle to it."""
    if columns.shape[1] < LEAST_FOR_NORMALS:
        return np.empty((0, 3))
    points = columns.T
    near = points[cKDTree(points).query(points, NEIGHBOURS)[1]]
    near = near - near.mean(axis=1)[:, None]
    normal = np.linalg.eigh(np.einsum("nki,nkj->nij", near, near))[1][:, :, 0]
    axes = [np.linalg.eigh(normal.T @ normal)[1][:, 0]]
    for _ in range(TRIES // 10):
        one, two, three = normal[rng.choice(len(normal), 3, replace=False)]
        pairs = (one, two) if kind is ElementKind.CYLINDER else (one - two, one - three)
        axis = np.cross(*pairs)
        length = float(np.linalg.norm(axis))
        if length > 1e-3:
            axes.append(axis / length)
    return np.array(axes)


def _round(kind: ElementKind, columns: Floats, direction: Floats) -> Shape | None:
    """Circle or cylinder along ``direction``: x^2 + y^2 = 2 a x + 2 b y + c (Kasa 1976; biased, but a start)."""
    first, second = across(direction)
    x, y = along(columns, first), along(columns, second)
    a, b, c = _solved(np.column_stack([2 * x, 2 * y, np.ones(len(x))]), x**2 + y**2)
    square = c + a**2 + b**2
    if square <= 0:
        return None
    height = float(along(columns, direction).mean())
    return Shape(kind, a * first + b * second + height * direction, direction, float(np.sqrt(square)))


def _cone(columns: Floats, direction: Floats) -> Shape | None:
    """Cone along ``direction``: x^2 + y^2 = 2 a x + 2 b y + c + 2 r t h + t^2 h^2, linear in five numbers."""
    first, second = across(direction)
    x, y, h = along(columns, first), along(columns, second), along(columns, direction)
    a, b, c, twice, _ = _solved(np.column_stack([2 * x, 2 * y, np.ones(len(x)), h, h**2]), x**2 + y**2)
    square = c + a**2 + b**2
    if square <= 0:
        return None
    radius = float(np.sqrt(square))
    shape = Shape(ElementKind.CONE, a * first + b * second, direction, radius, float(np.arctan(twice / (2 * radius))))
    return shape.placed_near(np.zeros(3))


def sphere_start(columns: Floats) -> Shape | None:
    """Sphere by |p|^2 = 2 m p + c: biased, but a start."""
    *centre, c = _solved(np.column_stack([2 * columns.T, np.ones(columns.shape[1])]), (columns**2).sum(axis=0))
    point = np.array(centre)
    square = c + float(point @ point)
    return Shape(ElementKind.SPHERE, point, np.array([0.0, 0.0, 1.0]), float(np.sqrt(square))) if square > 0 else None


def _solved(rows: Floats, values: Floats) -> Floats:
    return np.asarray(np.linalg.lstsq(rows, values, rcond=None)[0], dtype=np.float64)


def _is_sound(shape: Shape) -> bool:
    """Finite, of a size the points could show."""
    numbers = np.concatenate([shape.point, shape.direction, [shape.radius, shape.half_angle]])
    if not np.isfinite(numbers).all() or abs(shape.half_angle) > np.radians(89.0):
        return False
    return shape.radius >= 0 and shape.radius < 1e4

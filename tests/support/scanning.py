"""A scanner made of arithmetic: points on a part as a shop would get them, faults included."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Bools, Floats, Nominal
from worker.rigid import RigidTransform

TABLE_SIZE = 1.5  # of the part's diagonal: the table is larger than the part
CONTACT_MM = 0.5  # part surface this close to the table is not seen


@dataclass(frozen=True, kw_only=True)
class ScanRecipe:
    """What the scan is like.

    missing_share : share of the part's visible area not scanned, one contiguous region
    has_fixture : a table, two clamps and a spray of stray points are in view
    stray_share : with a fixture, stray returns anywhere in view, as a share of all points
    unseen : names of faces the scanner cannot see at all
    scale, bow_mm : the piece is this much larger, and bowed along its length by this height
    """

    noise_sigma_mm: float = 0.02
    missing_share: float = 0.0
    has_fixture: bool = False
    point_count: int = 60_000
    stray_share: float = 0.01
    unseen: tuple[str, ...] = ()
    scale: float = 1.0
    bow_mm: float = 0.0


def simulate_scan(
    part: Nominal, recipe: ScanRecipe, *, pose: RigidTransform, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Points and outward normals (n, 3) in the scan frame; ``pose`` is ``T_scan_nominal``.

    points : (n, 3) float64, mm, scan frame; normals : (n, 3) float64, unit
    """
    hidden = np.array([face.name in recipe.unseen for face in part.faces])
    points, normals = sample_surface(part, ~hidden[part.triangle_face], 2 * recipe.point_count, rng)
    density = len(points) / sum(face.area_mm2 for face in part.faces if not hidden[face.index])
    points = _distorted(points, recipe)
    bounds = points.min(axis=0), points.max(axis=0)
    points, normals = _occluded(points, normals, recipe.missing_share, rng)
    if recipe.has_fixture:
        points, normals = _with_fixture((points, normals), bounds, density, rng)
    chosen = rng.permutation(len(points))[: recipe.point_count]
    points, normals = points[chosen], normals[chosen]
    points = points + rng.normal(0.0, recipe.noise_sigma_mm, points.shape)
    if recipe.has_fixture:
        points, normals = _with_spray(points, normals, recipe.stray_share, rng)
    return pose.apply(points), pose.turn(normals)


def random_pose(rng: np.random.Generator, reach_mm: float = 500.0) -> RigidTransform:
    """Rotation uniform over all rotations (Shoemake 1992), shift uniform in a cube."""
    x, y, z, w = (quaternion := rng.normal(size=4)) / np.linalg.norm(quaternion)
    rotation = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = rotation, rng.uniform(-reach_mm, reach_mm, 3)
    return RigidTransform.from_matrix(matrix)


def sample_surface(part: Nominal, keep: Bools, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """``count`` points uniform by area on the triangles in ``keep`` (m,), and their normals."""
    corners = part.vertices_mm[part.triangles[keep]]
    crossed = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double_area = np.linalg.norm(crossed, axis=1)
    chosen = rng.choice(len(corners), size=count, p=double_area / double_area.sum())
    u, v = rng.random((2, count))
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    first, second, third = corners[chosen].transpose(1, 0, 2)
    points = first + u[:, None] * (second - first) + v[:, None] * (third - first)
    normals: Floats = (crossed / double_area[:, None])[chosen]
    return points, normals


def _occluded(points: Floats, normals: Floats, share: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Drop one contiguous region: half the time a ball round a surface point, else everything beyond a plane."""
    if share == 0.0:
        return points, normals
    if rng.random() < 0.5:
        order = np.argsort(np.linalg.norm(points - points[rng.integers(len(points))], axis=1))
    else:
        direction = rng.normal(size=3)
        order = np.argsort(points @ direction)
    kept = np.sort(order[int(share * len(points)) :])
    return points[kept], normals[kept]


def _distorted(points: Floats, recipe: ScanRecipe) -> Floats:
    """Scale about the middle, then a parabola along the longest axis in the direction of the shortest."""
    centre = (points.min(axis=0) + points.max(axis=0)) / 2
    extent = np.ptp(points, axis=0)
    along, across = int(extent.argmax()), int(extent.argmin())
    result: Floats = centre + recipe.scale * (points - centre)
    result[:, across] += recipe.bow_mm * (2 * (points[:, along] - centre[along]) / extent[along]) ** 2
    return result


def _with_fixture(
    scan: tuple[Floats, Floats], bounds: tuple[Floats, Floats], density: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Lay the part on a table between two clamps; surface against the table is not seen.

    scan : points and normals;  bounds : of the whole piece, seen or not
    density : points per mm2 of table and clamps, the same as on the part
    """
    points, normals = scan
    low, high = bounds
    up, sign = int(rng.integers(3)), float(rng.choice([-1.0, 1.0]))  # the table's side of the part is -sign * up
    ground = low[up] if sign > 0 else high[up]
    seen = np.abs(points[:, up] - ground) > CONTACT_MM
    clouds, facings = [points[seen]], [normals[seen]]
    for cloud, facing in (
        _table(low, high, (up, sign), density, rng),
        *(_clamp(low, high, (up, sign, side), density, rng) for side in (-1.0, 1.0)),
    ):
        clouds.append(cloud)
        facings.append(facing)
    return np.concatenate(clouds), np.concatenate(facings)


def _table(
    low: Floats, high: Floats, stand: tuple[int, float], density: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """A square board at the part's foot, without the shadow of the part's box."""
    up, sign = stand
    flat = [index for index in range(3) if index != up]
    edge = TABLE_SIZE * float(np.linalg.norm(high - low))
    points = np.empty((int(density * edge * edge), 3))
    centre = (low + high)[flat] / 2 + rng.uniform(-0.1, 0.1, 2) * edge
    points[:, flat] = centre + rng.uniform(-0.5, 0.5, (len(points), 2)) * edge
    points[:, up] = low[up] if sign > 0 else high[up]
    points = points[((points[:, flat] < low[flat]) | (points[:, flat] > high[flat])).any(axis=1)]
    normals = np.zeros_like(points)
    normals[:, up] = sign
    return points, normals


def _clamp(
    low: Floats, high: Floats, stand: tuple[int, float, float], density: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """A block on the table, touching one side of the part's box."""
    up, sign, side = stand
    across, along = (index for index in range(3) if index != up)
    size = np.full(3, 0.12 * float(np.linalg.norm(high - low)))
    size[up] = 0.6 * (high - low)[up]
    centre = (low + high) / 2
    centre[across] += side * ((high - low)[across] + size[across]) / 2
    centre[along] += rng.uniform(-0.3, 0.3) * (high - low)[along]
    centre[up] -= sign * ((high - low)[up] - size[up]) / 2
    area = 2 * float(size[0] * size[1] + size[1] * size[2] + size[2] * size[0])
    return _box_surface(centre, size, int(density * area), rng)


def _box_surface(centre: Floats, size: Floats, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    side, sign = rng.integers(3, size=count), rng.choice([-1.0, 1.0], size=count)
    unit = rng.uniform(-0.5, 0.5, (count, 3))
    unit[np.arange(count), side] = 0.5 * sign
    normals = np.zeros((count, 3))
    normals[np.arange(count), side] = sign
    return centre + unit * size, normals


def _with_spray(points: Floats, normals: Floats, share: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    count = int(share * len(points))
    spray = rng.uniform(points.min(axis=0), points.max(axis=0), (count, 3))
    facing = rng.normal(size=(count, 3))
    return np.concatenate([points, spray]), np.concatenate([normals, facing / np.linalg.norm(facing, axis=1)[:, None]])

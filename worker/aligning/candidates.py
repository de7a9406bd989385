"""First guesses from any pose: rotations by how surface directions match, shifts by correlation of volumes.

No features are matched and nothing depends on where the scan's middle lies, so a table in view or a
missing third of the surface moves no guess.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from worker.aligning.poses import Poses
from worker.records import Floats, Ints

SPIRAL_PSI = 1.533751168755204288118041  # Alexa, Super-Fibonacci Spirals, CVPR 2022: root of psi^4 = psi + 4
DIRECTION_BINS = 1000  # about 6 degrees apart on the whole sphere
MAP_SIDE = 96  # octahedral map of the half sphere
DIRECTION_BLUR_RAD = np.radians(8.0)  # a little over half the spacing of the rotation grid


@dataclass(frozen=True, kw_only=True)
class SearchSettings:
    """How wide the first guesses range."""

    rotation_grid_count: int = 9_000  # about 11 degrees between neighbours
    rotation_count: int = 240  # kept for the search of shifts
    rotation_spacing_rad: float = float(np.radians(11.0))  # nearer ones are the same guess
    shifts_per_rotation: int = 2  # best peaks of the correlation
    volume_side: int = 64  # cells; the transform is fastest at powers of two
    volume_cells_across: float = 40.0  # cells along the nominal's diagonal; the rest is room for clutter


def uniform_rotations(count: int) -> Floats:
    """Evenly spread rotations as quaternions (count, 4), scalar last (super-Fibonacci spiral)."""
    index = np.arange(count) + 0.5
    share = index / count
    alpha, beta = 2 * np.pi * index / np.sqrt(2.0), 2 * np.pi * index / SPIRAL_PSI
    inner, outer = np.sqrt(share), np.sqrt(1.0 - share)
    return np.stack([inner * np.sin(alpha), inner * np.cos(alpha), outer * np.sin(beta), outer * np.cos(beta)], axis=1)


def guessed_rotations(nominal_normals: Floats, scan_normals: Floats, settings: SearchSettings) -> Floats:
    """Rotations (k, 3, 3) scan to nominal under which the two spreads of surface direction agree best.

    Normals (n, 3) of either sign, each for an equal share of surface.
    """
    bins = _sphere_directions(DIRECTION_BINS)
    nominal_share, scan_share = (_binned(normals, bins) for normals in (nominal_normals, scan_normals))
    table = _direction_map(bins, nominal_share)
    used = scan_share > 0.2 / DIRECTION_BINS  # thinly filled bins are edges and noise
    quaternions = uniform_rotations(settings.rotation_grid_count)
    rotations = Rotation.from_quat(quaternions).as_matrix()
    score = np.empty(len(rotations))
    for start in range(0, len(rotations), 1000):
        turned = np.matmul(bins[used][None], rotations[start : start + 1000].transpose(0, 2, 1))
        score[start : start + 1000] = (table[_map_index(turned)] * scan_share[used]).sum(axis=1)
    return rotations[_spread_out(quaternions, score, settings)]


def guessed_poses(rotations: Floats, scan_mm: Floats, volume: CorrelationVolume, settings: SearchSettings) -> Poses:
    """The best shifts of each rotation: poses (k x shifts_per_rotation)."""
    shifts = [volume.best_shifts(scan_mm @ rotation.T, settings.shifts_per_rotation) for rotation in rotations]
    count = settings.shifts_per_rotation
    return Poses(np.repeat(rotations, count, axis=0), np.concatenate(shifts), np.ones(count * len(rotations)))


@dataclass(frozen=True, eq=False)
class CorrelationVolume:
    """The nominal's surface as a blurred volume, transformed once.

    Wraps round at its borders: what lies outside the volume is seen at the other end, so it is
    made larger than the nominal.
    """

    transform: Floats
    low_mm: Floats
    cell_mm: float
    side: int

    @classmethod
    def of(cls, points_mm: Floats, settings: SearchSettings) -> CorrelationVolume:
        """Build from evenly spread samples (n, 3), centred."""
        side = settings.volume_side
        low, high = points_mm.min(axis=0), points_mm.max(axis=0)
        cell_mm = float(np.linalg.norm(high - low)) / settings.volume_cells_across
        origin = (low + high) / 2 - side / 2 * cell_mm
        volume = np.zeros((side, side, side), dtype=np.float32)
        cells = np.floor((points_mm - origin) / cell_mm).astype(np.int64) % side
        volume[tuple(cells.T)] = 1.0
        blurred = gaussian_filter(volume, 1.3, mode="constant")
        return cls(np.conj(fft.rfftn(blurred)), origin, cell_mm, side)

    def best_shifts(self, turned_mm: Floats, count: int) -> Floats:
        """Shifts (count, 3) mm at which turned scan points (n, 3) lie best on the surface."""
        side = self.side
        start = turned_mm.min(axis=0)
        cells = np.floor((turned_mm - start) / self.cell_mm).astype(np.int64) % side
        flat = (cells[:, 0] * side + cells[:, 1]) * side + cells[:, 2]
        volume = np.zeros(side**3, dtype=np.float32)
        volume[flat] = 1.0
        spectrum = fft.rfftn(volume.reshape(side, side, side))
        match = fft.irfftn(np.conj(spectrum * self.transform), s=(side, side, side))
        shifts: Floats = self.low_mm - start + self.cell_mm * _peaks(match, count)
        return shifts


def _peaks(match: Floats, count: int) -> Floats:
    """The highest cells (count, 3), as offsets that may be negative, no two within three cells."""
    side = match.shape[0]
    found = np.empty((count, 3))
    around = np.arange(-3, 4)
    for index in range(count):
        peak = np.unravel_index(int(match.argmax()), match.shape)
        found[index] = peak
        match[np.ix_(*((around + int(place)) % side for place in peak))] = -np.inf
    signed: Floats = found - side * (found >= side / 2)
    return signed


def _sphere_directions(count: int) -> Floats:
    """Fibonacci sphere, unit (count, 3)."""
    index = np.arange(count) + 0.5
    height = 1.0 - 2.0 * index / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * index
    flat = np.sqrt(1.0 - height * height)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)


def _binned(normals: Floats, bins: Floats) -> Floats:
    _, nearest = cKDTree(bins).query(np.concatenate([normals, -normals]))
    counts = np.bincount(nearest, minlength=len(bins)).astype(np.float64)
    shares: Floats = counts / counts.sum()
    return shares


def _map_index(directions: Floats) -> Ints:
    """Cell of the octahedral map of the half sphere for directions (..., 3) of either sign."""
    scaled = directions[..., :2] / np.abs(directions).sum(axis=-1, keepdims=True)
    scaled = np.where(directions[..., 2:] < 0.0, -scaled, scaled)
    cells = np.minimum(((scaled + 1.0) * (MAP_SIDE / 2)).astype(np.int64), MAP_SIDE - 1)
    index: Ints = cells[..., 0] * MAP_SIDE + cells[..., 1]
    return index


def _direction_map(bins: Floats, share: Floats) -> Floats:
    """Share of surface facing near each cell's direction, (MAP_SIDE ** 2,)."""
    middle = (np.arange(MAP_SIDE) + 0.5) * (2.0 / MAP_SIDE) - 1.0
    flat = np.stack([np.repeat(middle, MAP_SIDE), np.tile(middle, MAP_SIDE)], axis=1)
    up = np.maximum(1.0 - np.abs(flat).sum(axis=1), 0.0)
    directions = np.concatenate([flat, up[:, None]], axis=1)
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    used = share > 0.0
    angle = np.arccos(np.clip(np.abs(directions @ bins[used].T), 0.0, 1.0))
    blurred: Floats = np.einsum("cb,b->c", np.exp(-((angle / DIRECTION_BLUR_RAD) ** 2)), share[used])
    return blurred


def _spread_out(quaternions: Floats, score: Floats, settings: SearchSettings) -> Ints:
    """The best-scoring rotations, none within the spacing of a better one."""
    nearest_cosine = np.cos(settings.rotation_spacing_rad / 2)
    order = np.argsort(-score, kind="stable")
    is_free = np.ones(len(order), dtype=np.bool_)
    chosen: list[int] = []
    for index in order:
        if not is_free[index]:
            continue
        chosen.append(int(index))
        if len(chosen) == settings.rotation_count:
            break
        is_free &= np.abs(quaternions @ quaternions[index]) < nearest_cosine
    return np.array(chosen, dtype=np.int64)

"""The wall between two skins: its map, and its least place."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.features.skin import across
from worker.measuring.patches import SampleNet
from worker.measuring.statistics import EXTREME_SAMPLES, robust_extremes
from worker.records import Bools, Floats, Ints, Samples
from worker.walls.polish import Pair, polished
from worker.walls.skins import Foot, Skin

PASSED_SHARE = 1.5  # of how far both skins moved: slanting skins part by more than they move


@dataclass(frozen=True, kw_only=True)
class WallSettings:
    """How the least wall is looked for."""

    aside_cosine: float = 0.05  # a line that leaves its skin by 3 degrees outward runs in air; rims lie at 0
    candidate_count: int = 6  # places, from each side, from which the least is looked for
    apart_spacings: float = 5.0  # between them: one hollow of the map is one candidate
    fit_spacings: float = 3.5  # a quadratic through about 40 samples: a third of one sample's noise remains
    fit_least_samples: int = 12  # six coefficients need twice as many
    fit_most_variance: float = 0.25  # of one sample's: at rims a quadratic runs wild, there the samples' mean is taken
    fit_most_missed_mm: float = 0.02  # rms, of nominal's walls by the same fit; beyond, only their change is fitted
    fit_least_size: float = 1e-3  # singular value, of the largest: samples in one row show no quadratic
    least_reach_spacings: float = 1.5  # the least of the quadratic is looked for this near its candidate
    cuts: int = 5  # of each edge, of the triangles on which it is looked for: to a sixth of the spacing


@dataclass(frozen=True, eq=False)
class Lines:
    """From every sample of one skin to the nearest place of another.

    row : (k,) sample;  start_mm, far_mm : (k, 3) ends of the line;  wall_mm : (k,) its length, negative where
        the skins have passed each other
    far_corner, far_share : (k, 3) samples around the far end, and their weights
    is_wall : (k,) the line runs through material
    near_seen, far_seen : (k,) the piece was scanned at that end
    is_gap : (k,) an end lies in a gap one sample wide: its figure is good for neighbours only
    drawn_mm : (k,) nominal's from the same samples; of nominal, and of room, the same as ``wall_mm``
    """

    row: Ints
    start_mm: Floats
    far_mm: Floats
    wall_mm: Floats
    far_corner: Ints
    far_share: Floats
    is_wall: Bools
    near_seen: Bools
    far_seen: Bools
    is_gap: Bools
    drawn_mm: Floats

    @property
    def far_row(self) -> Ints:
        """(k,) sample nearest the far end."""
        index: Ints = np.take_along_axis(self.far_corner, np.argmax(self.far_share, axis=1)[:, None], axis=1)[:, 0]
        return index


@dataclass(frozen=True, eq=False)
class LeastWall:
    """The least wall of a map.

    near_mm, far_mm : (3,) ends of its line;  near_row, far_row : samples there;  at : its row in the map
    is_exact : measured to exact surfaces at both ends
    """

    wall_mm: float
    near_mm: Floats
    far_mm: Floats
    near_row: int
    far_row: int
    at: int
    is_exact: bool = False


def wall_lines(near: Skin, far: Skin, own: Ints | None = None, settings: WallSettings | None = None) -> Lines:
    """Wall from samples of ``near`` to the nearest place of ``far``, whatever its direction.

    near, far : both of nominal, or both of the piece
    own : (k,) ascending, which samples of ``near`` by their number in it; all if left out
    """
    own = np.arange(len(near.rows)) if own is None else own
    start = near.placed_mm[own]
    found = far.nearest(start)
    far_seen, far_gap = is_seen_at(far, found)
    return Lines(
        row=near.rows[own],
        start_mm=start,
        far_mm=found.point_mm,
        wall_mm=found.wall_mm,
        far_corner=far.rows[found.corner],
        far_share=found.share,
        is_wall=_runs_in_material((start, near.normals[own]), found, settings or WallSettings()),
        near_seen=near.is_seen[own],
        far_seen=far_seen,
        is_gap=near.is_gap[own] | far_gap,
        drawn_mm=found.wall_mm,
    )


def thin_samples(near: Skin, far: Skin, reach_mm: float, samples: Samples) -> Ints:
    """Samples of ``near``, by their number in it, from which walls up to ``reach_mm`` are told as from all of them.

    Besides those whose wall may be that thin all around them that have a part in how its least is settled.
    """
    settings = WallSettings()
    around_mm = (2 * settings.fit_spacings + 1) * samples.spacing_mm
    return near.within(far, reach_mm + around_mm)


def _runs_in_material(start: tuple[Floats, Floats], found: Foot, settings: WallSettings) -> Bools:
    """Which lines (k,) to the feet run through material, not through air; start : places and normals (k, 3)."""
    places, normals = start
    way = found.point_mm - places
    length = np.linalg.norm(way, axis=1)
    unit = way / np.where(length > 0, length, 1.0)[:, None]
    leaves = np.einsum("ij,ij->i", unit, normals) > settings.aside_cosine
    enters = np.einsum("ij,ij->i", unit, found.normal) < -settings.aside_cosine
    is_inside: Bools = ~leaves & ~enters
    return is_inside


def is_seen_at(far: Skin, found: Foot) -> tuple[Bools, Bools]:
    """Whether the piece was scanned at each foot (n,), at most of the samples around it; whether there is a gap."""
    seen = np.einsum("ij,ij->i", found.share, far.is_seen[found.corner]) > 0.5
    near_it = np.einsum("ij,ij->i", found.share, (far.is_seen | far.is_gap)[found.corner]) > 0.5
    return seen, near_it & ~seen


def piece_lines(near: Skin, far: Skin, nominal: Lines) -> Lines:
    """The same for the piece; where nominal's line runs through material there is a wall.

    near, far : of the piece;  nominal : from the same samples

    A line that has turned round tells that the skins have passed each other only where they moved that
    far; else another side of the far skin has merely become the nearer one.
    """
    own = near.numbers_of(nominal.row)
    found = wall_lines(near, far, own)
    turned = np.einsum("ij,ij->i", found.far_mm - found.start_mm, nominal.far_mm - nominal.start_mm) < 0
    moved = np.abs(near.off_mm[own]) + float(np.abs(far.off_mm).max(initial=0.0))
    turned &= nominal.wall_mm + np.abs(found.wall_mm) <= PASSED_SHARE * moved
    wall = np.where(turned & nominal.is_wall, -np.abs(found.wall_mm), found.wall_mm)
    return replace(found, wall_mm=wall, is_wall=nominal.is_wall, drawn_mm=nominal.wall_mm)


def least_nominal(lines: Lines, skins: tuple[Skin, Skin], samples: Samples) -> LeastWall | None:
    """Least wall of nominal, exact where both skins are analytic; None where no line runs through material.

    skins : (near, far) of ``lines``
    """
    settings = WallSettings()
    best: LeastWall | None = None
    for at in candidates(lines, lines.wall_mm, lines.is_wall, samples, settings):
        plain = _plain(lines, at)
        pair = polished(skins, _pair(lines, at, skins), reach_mm=settings.fit_spacings * samples.spacing_mm)
        found = plain if pair is None else _exact(plain, pair)
        if best is None or found.wall_mm < best.wall_mm:
            best = found
    return best


def least_of_piece(
    lines: Lines, calm_mm: Floats, is_used: Bools, samples: Samples, *, is_smooth: bool = True
) -> LeastWall | None:
    """Least wall of the piece over some lines (k,); None where there are none.

    calm_mm : (k,) walls averaged over neighbours
    is_smooth : the map may be fitted by quadratics; else the mean of its thinnest few samples is taken

    Round each of the places where the averaged map is least a quadratic is fitted to the walls as
    measured, and its least on the surface taken: neither the noise of single samples nor the
    roundness of the skins between them makes the wall thinner or thicker than it is.  Where nominal's
    own walls are no quadratic there, as over a small bore or a kink, only their change is fitted, and read at samples.
    """
    settings = WallSettings()
    places = candidates(lines, calm_mm, is_used, samples, settings)
    found = [least_near(lines, at, calm_mm, is_used, samples, is_smooth=is_smooth) for at in places]
    return min(found, key=lambda one: one.wall_mm, default=None)


def least_near(  # noqa: PLR0913 the map, what counts of it, and how
    lines: Lines, at: int, calm_mm: Floats, is_used: Bools, samples: Samples, *, is_smooth: bool
) -> LeastWall:
    """The least wall of the piece around row ``at`` of the map; the rest as in ``least_of_piece``."""
    fitted = _fitted(lines, at, is_used, samples, WallSettings()) if is_smooth else None
    return fitted or _tail(lines, at, calm_mm, is_used, samples)


def calmed(lines: Lines, is_used: Bools, net: SampleNet) -> Floats:
    """Walls (k,) averaged over neighbours among the used ones."""
    whole, is_valid = np.zeros(len(net.is_rim)), np.zeros(len(net.is_rim), dtype=bool)
    whole[lines.row], is_valid[lines.row] = lines.wall_mm, is_used
    calm: Floats = net.smooth(whole, is_valid)[lines.row]
    return calm


def candidates(lines: Lines, wall_mm: Floats, is_used: Bools, samples: Samples, settings: WallSettings) -> list[int]:
    """Rows of the map where the wall is least, one for each hollow, thinnest first."""
    rows = np.flatnonzero(is_used)
    rows = rows[np.argsort(wall_mm[rows], kind="stable")]
    points = samples.points_mm[lines.row]
    chosen: list[int] = []
    while len(rows) and len(chosen) < settings.candidate_count:
        first = int(rows[0])
        chosen.append(first)
        away = ((points[rows] - points[first]) ** 2).sum(axis=1)
        rows = rows[away > (settings.apart_spacings * samples.spacing_mm) ** 2]
    return chosen


def _plain(lines: Lines, at: int) -> LeastWall:
    return LeastWall(
        wall_mm=float(lines.wall_mm[at]),
        near_mm=lines.start_mm[at],
        far_mm=lines.far_mm[at],
        near_row=int(lines.row[at]),
        far_row=int(lines.far_row[at]),
        at=at,
    )


def _pair(lines: Lines, at: int, skins: tuple[Skin, Skin]) -> Pair:
    far = skins[1].nearest(lines.start_mm[at][None])
    own = int(skins[0].numbers_of(lines.row[[at]])[0])
    return Pair(lines.start_mm[at], lines.far_mm[at], int(skins[0].face[own]), int(far.face[0]))


def _exact(plain: LeastWall, pair: Pair) -> LeastWall:
    wall = float(np.linalg.norm(pair.near_mm - pair.far_mm))
    return replace(plain, wall_mm=wall, near_mm=pair.near_mm, far_mm=pair.far_mm, is_exact=True)


def _tail(lines: Lines, at: int, calm_mm: Floats, is_used: Bools, samples: Samples) -> LeastWall:
    """Mean of the thinnest few samples round the candidate, where there are too few for a fit."""
    near = _round(lines, at, is_used, samples, 2 * WallSettings().fit_spacings)
    area = samples.area_mm2[lines.row[near]]
    least, _ = robust_extremes(calm_mm[near], area, EXTREME_SAMPLES * samples.spacing_mm**2)
    return replace(_plain(lines, at), wall_mm=least)


def _round(lines: Lines, at: int, is_used: Bools, samples: Samples, spacings: float) -> Ints:
    """Used rows of the map round one of them, on skin that faces as it does."""
    points, normals = samples.points_mm[lines.row], samples.normals[lines.row]
    is_near = ((points - points[at]) ** 2).sum(axis=1) < (spacings * samples.spacing_mm) ** 2
    return np.flatnonzero(is_used & is_near & (normals @ normals[at] > 0.5))


def _fitted(lines: Lines, at: int, is_used: Bools, samples: Samples, settings: WallSettings) -> LeastWall | None:
    """Least of the quadratic round a candidate; None for too few samples."""
    own = _round(lines, at, is_used, samples, settings.fit_spacings)
    if len(own) < settings.fit_least_samples:
        return None
    centre = samples.points_mm[lines.row[at]]
    along = across(samples.normals[lines.row[at]])
    scale = settings.fit_spacings * samples.spacing_mm
    reach = settings.least_reach_spacings * samples.spacing_mm

    def terms(points_mm: Floats) -> Floats:
        u, v = ((points_mm - centre) @ along.T / scale).T
        return np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])

    left, sizes, right = np.linalg.svd(terms(samples.points_mm[lines.row[own]]), full_matrices=False)
    if sizes[-1] < settings.fit_least_size * sizes[0]:
        return None
    drawn = lines.drawn_mm[own]
    missed = drawn - left @ (left.T @ drawn)
    if float(np.sqrt(np.mean(missed**2))) > settings.fit_most_missed_mm:  # rounder than a quadratic, or with a kink
        change = left @ (left.T @ (lines.wall_mm[own] - drawn))
        near_it = ((samples.points_mm[lines.row[own]] - centre) ** 2).sum(axis=1) <= reach**2
        return _thinnest(lines, own[near_it], (drawn + change)[near_it])
    places = _places_near(lines, at, samples, settings)
    rows = terms(places) @ (right.T / sizes)
    walls = rows @ (left.T @ lines.wall_mm[own])
    is_firm = (rows**2).sum(axis=1) <= settings.fit_most_variance
    if not is_firm.any():
        return None
    least = int(np.argmin(np.where(is_firm, walls, np.inf)))
    shift = places[least] - centre
    plain = _plain(lines, at)
    return replace(plain, wall_mm=float(walls[least]), near_mm=plain.near_mm + shift, far_mm=plain.far_mm + shift)


def _thinnest(lines: Lines, rows: Ints, walls_mm: Floats) -> LeastWall:
    """The least of these rows (n,) with walls of their own."""
    least = int(np.argmin(walls_mm))
    return replace(_plain(lines, int(rows[least])), wall_mm=float(walls_mm[least]))


def _places_near(lines: Lines, at: int, samples: Samples, settings: WallSettings) -> Floats:
    """Places (n, 3) of the near skin round a candidate, finer than its samples."""
    centre, reach = samples.points_mm[lines.row[at]], settings.least_reach_spacings * samples.spacing_mm
    is_own = np.zeros(len(samples.face), dtype=bool)
    is_own[lines.row] = ((samples.points_mm[lines.row] - centre) ** 2).sum(axis=1) < (2 * reach) ** 2
    corner = samples.triangles
    for side in range(3):  # one corner after another: hardly any triangle passes the first
        corner = corner[is_own[corner[:, side]]]
    corners = samples.points_mm[corner]
    count = settings.cuts
    share = np.array([(i, j, count - i - j) for i in range(count + 1) for j in range(count + 1 - i)]) / count
    places: Floats = np.concatenate([np.einsum("si,tij->tsj", share, corners).reshape(-1, 3), centre[None]])
    near: Floats = places[((places - centre) ** 2).sum(axis=1) <= reach**2]
    return near

"""Walls and room of the piece: maps over its skins, the least of them, and what that is uncertain by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import Plan
from worker.judging.measured import Measured
from worker.judging.nominal_walls import skin_of_region
from worker.judging.sources import ALIGNMENT, RESOLUTION, SCANNER, TEMPERATURE
from worker.judging.uncertainty import UNIFORM, alignment_sigma_mm, deviation_sigma_mm
from worker.records import Bools, Floats, Ints
from worker.walls.between import LeastWall, Lines, calmed, least_of_piece, piece_lines, wall_lines
from worker.walls.skins import Skin, level_of, piece_skin

NOISE, FACETS = "scan noise", "facets of nominal"
OTHERS_TRIED = 500  # samples of each sort: one that lies off all edges is enough


@dataclass(frozen=True, eq=False)
class WallMap:
    """A map over one skin of the piece, beside nominal's.

    lines : of the piece;  nominal_mm : (k,) the same of nominal
    both, one : (k,) rows whose figure counts, material between: scanned at both ends, or at one alone
    calm_mm : (k,) averaged over neighbours of the same sort
    least, least_of_both : of all that counts, of what was scanned at both ends; None where nothing is
    is_smooth : it may be fitted by quadratics
    is_rim : of rows scanned at both ends and at one, whether only samples along edges count: there are no others
    """

    lines: Lines
    nominal_mm: Floats
    both: Bools
    one: Bools
    calm_mm: Floats
    least: LeastWall | None
    least_of_both: LeastWall | None
    is_smooth: bool = True
    is_rim: tuple[bool, bool] = (False, False)

    def like(self, at: int) -> Bools:
        """(k,) rows of the same sort as one."""
        return self.both if self.both[at] else self.one


def skin_of_piece(name: str, skin: Skin, measured: Measured) -> Skin:
    """The piece's surface of a region, made once."""
    deviation = measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")

    def made() -> Skin:
        level = measured.once("level of the piece", lambda: level_of(measured.samples, deviation, measured.net))
        found = piece_skin(skin, deviation, level)
        if measured.before is None or skin_of_region(name, measured.before) is not skin:
            return found
        kept = skin_of_piece(name, skin, measured.before)
        return kept if kept.agrees(found) else found

    return measured.once(("skin of piece", name), made)


def wall_map(near: Skin, far: Skin, nominal: Lines, measured: Measured) -> WallMap:
    """Walls of the piece from each sample of one skin.

    near, far : of the piece;  nominal : lines of nominal from the same samples
    """
    return map_of(piece_lines(near, far, nominal), nominal.wall_mm, measured)


def thin_map(piece: tuple[Skin, Skin], nominal: tuple[Skin, Skin], thin: Ints, measured: Measured) -> WallMap | None:
    """The map over some samples only; None where the rest may decide whether samples along edges count.

    piece, nominal : (near, far);  thin : (k,) numbers in ``near``
    """
    lines = wall_lines(*nominal, thin)
    found = wall_map(*piece, lines, measured)
    if not any(found.is_rim):
        return found
    tried = wall_map(*piece, wall_lines(*nominal, _others(piece, thin, measured)), measured)
    inner = ~is_at_edge(tried.lines.row, measured)
    has_inner = (bool((tried.both & inner).any()), bool((tried.one & inner).any()))
    if any(rim and not has for rim, has in zip(found.is_rim, has_inner, strict=True)):
        return None
    return map_of(found.lines, found.nominal_mm, measured, has_inner=has_inner)


def _others(piece: tuple[Skin, Skin], thin: Ints, measured: Measured) -> Ints:
    """A few samples off all edges that are not among the thin ones, most likely of both sorts."""
    near, far = piece
    is_other = ~near.is_gap & ~is_at_edge(near.rows, measured)
    is_other[thin] = False
    other = np.flatnonzero(is_other)
    _, corner = far.nearest_corner(near.placed_mm[other])
    chosen = []
    for is_like in (near.is_seen[other] & far.is_seen[corner], near.is_seen[other] ^ far.is_seen[corner]):
        like = other[is_like]
        chosen.append(like[:: max(1, len(like) // OTHERS_TRIED)])
    return np.unique(np.concatenate(chosen))


def map_of(
    lines: Lines,
    nominal_mm: Floats,
    measured: Measured,
    *,
    is_smooth: bool = True,
    has_inner: tuple[bool, bool] = (False, False),
) -> WallMap:
    """The map over such lines; samples along edges count only where there are no others.

    is_smooth : False for room, which grows steeply where the way into material passes a wall by
    has_inner : of rows scanned at both ends and at one, whether there are others that these lines leave out
    """
    counted = lines.is_wall & ~lines.is_gap
    both = counted & lines.near_seen & lines.far_seen
    one = counted & (lines.near_seen ^ lines.far_seen)
    at_edge = is_at_edge(lines.row, measured)
    calm = lines.wall_mm.copy()
    found: list[LeastWall | None] = [None, None]
    is_rim = [False, False]
    for sort, used in enumerate((both, one)):
        if not used.any():
            continue
        calm = np.where(used, calmed(lines, used, measured.net), calm)
        inner = used & ~at_edge
        is_rim[sort] = not inner.any() and not has_inner[sort]
        counts = used if is_rim[sort] else inner
        found[sort] = least_of_piece(lines, calm, counts, measured.samples, is_smooth=is_smooth)
    least = min((one for one in found if one is not None), key=lambda one: one.wall_mm, default=None)
    return WallMap(lines, nominal_mm, both, one, calm, least, found[0], is_smooth, (is_rim[0], is_rim[1]))


def is_at_edge(rows: Ints, measured: Measured) -> Bools:
    """Which samples (k,) lie along an edge of their face."""
    at_edge: Bools = (measured.net.is_rim | measured.net.is_at_blunt_edge)[rows]
    return at_edge


@dataclass(frozen=True, eq=False)
class Sources:
    """Standard uncertainties of the deviation, (s,) each by source, and what a wall makes of them."""

    by_name: dict[str, Floats]
    measured: Measured

    @classmethod
    def of(cls, plan: Plan, measured: Measured) -> Sources:
        """Made once for the piece."""
        deviation = measured.deviation
        assert deviation is not None  # noqa: S101 without one no wall was measured
        stated = None if plan.scanner is None else plan.scanner.expanded_uncertainty

        def made() -> dict[str, Floats]:
            return deviation_sigma_mm(plan, measured.nominal, measured.samples, measured.alignment, deviation)

        return cls(measured.once(("sources of deviation", stated), made), measured)

    def budget(self, lines: Lines, least: LeastWall) -> dict[str, float]:
        """Standard uncertainties, by source, of one wall.

        Noise counts as that of a single sample at each end that was seen, though the figure is a mean
        over a patch: the least place was chosen among many.  The pose drops out between two skins
        of one piece; where only one was seen, the other is nominal's, and it counts.
        """
        at = least.at
        noise = self.by_name["scan noise"]
        near = noise[least.near_row] if lines.near_seen[at] else 0.0
        far = noise[least.far_row] if lines.far_seen[at] else 0.0
        budget = {
            SCANNER: float(self.by_name["scanner"][least.near_row]),
            NOISE: float(np.hypot(near, far)),
            FACETS: float(np.linalg.norm(self.by_name["facets of nominal"][[least.near_row, least.far_row]])),
            RESOLUTION: float(np.sqrt(2) * UNIFORM * self.measured.quantum_mm),
            TEMPERATURE: abs(least.wall_mm) * self.measured.strain_sigma,
        }
        if lines.near_seen[at] and lines.far_seen[at]:
            return budget
        point, normal = self.measured.samples.points_mm, self.measured.samples.normals
        own = least.near_row if lines.near_seen[at] else least.far_row
        pose = alignment_sigma_mm(self.measured.alignment, point[[own]], normal[[own]])
        return budget | {ALIGNMENT: float(pose[0])}

    def map_U_mm(self, lines: Lines) -> Floats:
        """U (k,), k = 2, of each line, the mean over its neighbours left out of account."""
        ends = (lines.row, lines.far_row)
        seen = (lines.near_seen, lines.far_seen)
        noise = [
            np.where(is_seen, self.by_name["scan noise"][row], 0.0) for row, is_seen in zip(ends, seen, strict=True)
        ]
        facets = [self.by_name["facets of nominal"][row] for row in ends]
        steady = self.by_name["scanner"][lines.row] ** 2 + 2 * (UNIFORM * self.measured.quantum_mm) ** 2
        total: Floats = 2 * np.sqrt(steady + sum(part**2 for part in (*noise, *facets)))
        return total

"""What walls and room show beside their figure: curves over the area, the thinnest places, files to take along."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan.walls import RoomToRemove, WallBetween
from worker.exhibits import Attachment, Cell, Column, Curve, Exhibits, Mark, Plot, Table
from worker.judging.piece_walls import Sources, WallMap
from worker.judging.verdicts import COVERAGE_FACTOR
from worker.measuring.patches import Patch
from worker.measuring.statistics import EXTREME_SAMPLES, weighted_percentiles
from worker.records import Floats, Ints, Samples
from worker.walls.between import LeastWall, least_near
from worker.walls.files import scalar_ply, table_csv

SPOT_SHARE = 1.1  # of the least allowed, or of the least found: up to there a place counts as thin; no source
SPOT_LIMIT = 10  # of a table
MARK_LIMIT = 3  # of lines in the view
CURVE_PERCENTS = np.linspace(0.0, 100.0, 51)
PLACE = (Column("x", "mm"), Column("y", "mm"), Column("z", "mm"))


@dataclass(frozen=True, eq=False)
class Spot:
    """One connected thin place.  least : of it;  nominal_mm : there, in the CAD;  area_mm2 : of the patch."""

    least: LeastWall
    nominal_mm: float
    area_mm2: float


def wall_exhibits(line: WallBetween, forth: WallMap, worst: WallMap, sources: Sources) -> Exhibits:
    """Curve of the first region, thinnest places of the map that the least was found in, and lines across them."""
    samples = sources.measured.samples
    limit = SPOT_SHARE * max(line.least, 0.0 if worst.least is None else worst.least.wall_mm)
    found = spots(worst, limit, sources)
    rows = tuple(_spot_row(spot, worst, sources, samples, line.least) for spot in found)
    head = (*PLACE, Column("CAD", "mm"), Column("piece", "mm"), Column("U", "mm", is_departure=True))
    tail = (Column("least allowed", "mm"), Column("area", "mm2"), Column("scanned"))
    return Exhibits(
        tables=(Table(f"Thinnest places between {line.region} and {line.toward}", (*head, *tail), rows),),
        plots=(_curves(f"Wall from {line.region} to {line.toward}", "wall", forth, sources, line.least),),
        marks=_marks(found, f"wall {line.region} to {line.toward}"),
    )


def room_exhibits(line: RoomToRemove, found: WallMap, wall: Ints, sources: Sources) -> Exhibits:
    """Curve, places of least room, and the map as files.  wall : (k,) number of the wall that holds each sample."""
    samples = sources.measured.samples
    least = 0.0 if found.least is None else found.least.wall_mm
    limit = max(SPOT_SHARE * line.required, least + 0.1 * max(abs(least), 1.0))
    places = spots(found, limit, sources)
    names = [one.toward for one in line.walls]
    rows = tuple(
        (*_spot_row(spot, found, sources, samples, line.required), names[int(wall[spot.least.at])]) for spot in places
    )
    head = (*PLACE, Column("CAD", "mm"), Column("piece", "mm"), Column("U", "mm", is_departure=True))
    tail = (Column("wanted", "mm"), Column("area", "mm2"), Column("scanned"), Column("held by the wall to"))
    return Exhibits(
        tables=(Table(f"Least room to cut {line.region} back", (*head, *tail), rows),),
        plots=(_curves(f"Room to cut {line.region} back", "room", found, sources, line.required),),
        marks=_marks(places, f"least room of {line.region}"),
        attachments=_files(line, found, sources),
    )


def spots(found: WallMap, limit_mm: float, sources: Sources) -> list[Spot]:
    """Connected places under a limit, thinnest first; at least four samples wide where any is."""
    measured, samples = sources.measured, sources.measured.samples
    is_thin = np.zeros(len(samples.face), dtype=bool)
    is_thin[found.lines.row[(found.both | found.one) & (found.calm_mm < limit_mm)]] = True
    patches = measured.net.patches(is_thin)
    wide = [patch for patch in patches if patch.area_mm2 >= EXTREME_SAMPLES * samples.spacing_mm**2]
    made = [_spot(patch, found, samples) for patch in wide or patches[:1]]
    return sorted(made, key=lambda spot: (spot.least.wall_mm, spot.least.at))[:SPOT_LIMIT]


def _spot(patch: Patch, found: WallMap, samples: Samples) -> Spot:
    own = np.flatnonzero(np.isin(found.lines.row, patch.samples))
    at = int(own[np.argmin(found.calm_mm[own])])
    if found.least is not None and found.least.at in own:  # the figure itself, where this is its place
        least = found.least
    else:
        counts, is_smooth = found.like(at), found.is_smooth
        least = least_near(found.lines, at, found.calm_mm, counts, samples, is_smooth=is_smooth)
    return Spot(least, float(found.nominal_mm[least.at]), patch.area_mm2)


def _spot_row(spot: Spot, found: WallMap, sources: Sources, samples: Samples, required_mm: float) -> tuple[Cell, ...]:
    lines, at = found.lines, spot.least.at
    point = samples.points_mm[spot.least.near_row]
    budget = sources.budget(lines, spot.least)
    U = COVERAGE_FACTOR * float(np.linalg.norm(list(budget.values())))
    seen = "both sides" if lines.near_seen[at] and lines.far_seen[at] else "one side only"
    place = tuple(float(part) for part in point)
    return (*place, spot.nominal_mm, spot.least.wall_mm, U, required_mm, spot.area_mm2, seen)


def _curves(title: str, what: str, found: WallMap, sources: Sources, required_mm: float) -> Plot:
    """Wall, or room, that a share of the area has at most: nominal's over all of it, the piece's where scanned."""
    area = sources.measured.samples.area_mm2[found.lines.row]
    own, seen = found.lines.is_wall, found.both
    curves = [_curve("CAD", found.nominal_mm[own], area[own])]
    if seen.any():
        U = float(np.median(sources.map_U_mm(found.lines)[seen]))
        curves.append(_curve("piece", found.calm_mm[seen], area[seen], U))
    return Plot(title, "share of the area", "percent", what, "mm", tuple(curves), (required_mm,))


def _curve(name: str, values: Floats, area: Floats, U: float | None = None) -> Curve:
    found = weighted_percentiles(values, area, CURVE_PERCENTS.tolist())
    return Curve(name, CURVE_PERCENTS, found, None if U is None else np.full(len(found), U))


def _marks(found: list[Spot], label: str) -> tuple[Mark, ...]:
    return tuple(
        Mark(f"{label}, place {number + 1}", np.stack([spot.least.near_mm, spot.least.far_mm]))
        for number, spot in enumerate(found[:MARK_LIMIT])
    )


def _files(line: RoomToRemove, found: WallMap, sources: Sources) -> tuple[Attachment, ...]:
    """The map as PLY and CSV; room is left out wherever it was not measured at both ends."""
    measured, lines = sources.measured, found.lines
    samples, deviation = measured.samples, measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")
    is_known = lines.near_seen & lines.far_seen & ~lines.is_gap
    room = np.where(is_known, found.calm_mm, np.nan)
    U = np.where(is_known, sources.map_U_mm(lines), np.nan)
    points, normals = lines.start_mm, samples.normals[lines.row]
    triangles = _own_triangles(lines.row, samples)
    columns = ("x", "y", "z", "nx", "ny", "nz", "room_mm", "U_mm", "is_measured")
    table = np.column_stack([points, normals, room, U, is_known])
    return (
        Attachment(
            "room.ply",
            f"Room to cut {line.region} back, by colour: property room_mm of each vertex, none where not measured",
            "application/octet-stream",
            scalar_ply(points, triangles, "room_mm", room),
        ),
        Attachment("room.csv", f"The same as a table of {len(room)} places", "text/csv", table_csv(columns, table)),
    )


def _own_triangles(rows: Ints, samples: Samples) -> Ints:
    """Triangles (t, 3) with all corners among ``rows``, numbered by them."""
    number = np.full(len(samples.face), -1, dtype=np.int64)
    number[rows] = np.arange(len(rows))
    triangles: Ints = number[samples.triangles]
    return triangles[(triangles >= 0).all(axis=1)]

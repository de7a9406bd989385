"""What a fastener shows beside its figure: metal by surface and by height, checks, larger sizes, places."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shared.plan.fasteners import Fastener
from worker.exhibits import Cell, Column, Curve, Exhibits, Mark, Plot, Table
from worker.fasteners.records import MetalProfile
from worker.judging.fastener_checks import Check, Figure, Larger
from worker.judging.fastener_metal import Metal
from worker.records import Floats

SURFACES_SHOWN = 12  # least metal first
MM = "mm"


def fastener_exhibits(
    line: Fastener, metal: Metal, U_mm: float, rows: Sequence[Check], larger: Sequence[Larger]
) -> Exhibits:
    """Tables, the curve of metal over height, and marks of the axis and of the least metal."""
    tables = [_surfaces(metal), _checks(rows)]
    if larger:
        tables.append(_larger(larger))
    needed = () if line.least is None else (line.least,)
    return Exhibits(tables=tuple(tables), plots=(_plot(metal, U_mm, needed),), marks=_marks(line, metal))


def nominal_exhibits(names: Sequence[str], profile: MetalProfile) -> Exhibits:
    """What can be shown of a hole that was not measured: the CAD's metal, said to be that."""
    columns = (Column("surface"), Column("CAD only", MM), Column("at height", MM))
    rows = [
        (names[int(label)], float(profile.metal_mm[row].min()), float(profile.heights_mm[_lowest(profile, row)]))
        for row, label in enumerate(profile.labels[:SURFACES_SHOWN])
    ]
    return Exhibits(
        tables=(Table("Metal round the hole in the CAD; the piece was not measured", columns, tuple(rows)),)
    )


def least_by_height(profile: MetalProfile) -> Floats:
    """Least metal toward anything at each height (h,), 0 where the hole is open, NaN where none was met."""
    if not len(profile.labels):
        least = np.full(len(profile.heights_mm), np.nan)
    else:
        least = np.where(profile.is_found, profile.metal_mm, np.inf).min(axis=0)
    least = np.where(np.isfinite(least), least, np.nan)
    return np.where(profile.is_open, 0.0, least)


def _lowest(profile: MetalProfile, row: int) -> int:
    return int(np.argmin(np.where(profile.is_found[row], profile.metal_mm[row], np.inf)))


def _surfaces(metal: Metal) -> Table:
    """Least metal to each surface, nominal and piece, and its height; heights from the middle of the hole."""
    columns = (
        Column("surface"),
        Column("least metal, piece", MM),
        Column("at height", MM),
        Column("in any direction", MM),
        Column("CAD", MM),
        Column("seen"),
    )
    nominal = {int(label): row for row, label in enumerate(metal.nominal.labels)}
    labels = [*map(int, metal.actual.labels), *(label for label in nominal if label not in set(metal.actual.labels))]
    rows = [_surface_row(metal, label, nominal.get(label)) for label in labels[:SURFACES_SHOWN]]
    return Table("Metal round the hole, by surface", columns, tuple(rows))


def _surface_row(metal: Metal, label: int, in_nominal: int | None) -> tuple[Cell, ...]:
    own = np.flatnonzero(metal.actual.labels == label)
    stated = None if in_nominal is None else float(metal.nominal.metal_mm[in_nominal].min())
    name = metal.names.names[label]
    if not len(own) or not metal.actual.is_found[own[0]].any():
        return (name, None, None, None, stated, "not met on the piece")
    row = int(own[0])
    at = _lowest(metal.actual, row)
    least = float(metal.actual.metal_mm[row, at])
    seen = bool(metal.is_seen[row, at])
    any_way = float(metal.actual.any_way_mm[row, at])
    height = float(metal.actual.heights_mm[at])
    if not seen:
        return (name, None, height, None, stated, "not scanned there: the CAD's figure only")
    return (name, least, height, any_way, stated, "scanned")


def _checks(rows: Sequence[Check]) -> Table:
    columns = (
        Column("check"),
        Column("found", MM),
        Column("U", MM, is_departure=True),
        Column("needed", MM),
        Column("found %", "percent"),
        Column("rule"),
        Column("outcome"),
    )
    return Table("Checks", columns, tuple(_check_row(row) for row in rows))


def _check_row(row: Check) -> tuple[Cell, ...]:
    value, spread = _cells(row.figure)
    if row.is_percent:
        return (row.name, None, None, None, value, row.rule, row.outcome)
    return (row.name, value, spread, row.needed, None, row.rule, row.outcome)


def _cells(figure: Figure | None) -> tuple[Cell, Cell]:
    """Value and U; a dash for what is not known."""
    if figure is None:
        return None, None
    return figure.value, figure.U if np.isfinite(figure.U) else None


def _larger(larger: Sequence[Larger]) -> Table:
    columns = (
        Column("size"),
        Column("metal left", MM),
        Column("metal wanted", MM),
        Column("axis to edge", MM),
        Column("edge wanted", MM),
        Column("outcome"),
    )
    rows = [
        (
            size.thread.designation,
            size.metal.value,
            size.metal_needed_mm,
            _cells(size.edge)[0],
            size.edge_needed_mm,
            size.outcome,
        )
        for size in larger
    ]
    return Table("Larger sizes in the same place", columns, tuple(rows))


def _plot(metal: Metal, U_mm: float, limits: tuple[float, ...]) -> Plot:
    curves = []
    for name, profile, band in (("CAD", metal.nominal, None), ("piece", metal.actual, U_mm)):
        least = least_by_height(profile)
        known = np.isfinite(least)
        if known.any():
            heights = profile.heights_mm[known]
            spread = None if band is None else np.full(len(heights), band)
            curves.append(Curve(name, heights, least[known], spread))
    title = "Least metal by height along the hole, from its middle"
    return Plot(title, "height", MM, "metal", MM, tuple(curves), limits)


def _marks(line: Fastener, metal: Metal) -> tuple[Mark, ...]:
    bore, ends = metal.bore, metal.shape.ends_mm
    axis = bore.origin_mm + ends[:, None] * bore.direction
    marks = [Mark(f"{line.thread}: axis", axis)]
    if metal.actual.is_found.any():
        row, column = metal.actual.least_at()
        marks.append(Mark(f"{line.thread}: least metal", metal_line_mm(metal, row, column)))
    return tuple(marks)


def metal_line_mm(metal: Metal, row: int, column: int) -> Floats:
    """Both ends (2, 3) of the metal at one place: on the hole's wall, and where it ends."""
    turn = metal.actual.turn_rad[row, column]
    wall = metal.bore.wall_mm(metal.bore.heights_mm[[column]], np.array([turn]))[0]
    way = metal.bore.radial(np.array([turn]))[0]
    return np.stack([wall, wall + metal.actual.metal_mm[row, column] * way])

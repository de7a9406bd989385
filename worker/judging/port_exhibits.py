"""What ports show beside their figure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan.ports import PortArea
from worker.exhibits import Cell, Column, Curve, Exhibits, Mark, Plot, Table
from worker.judging.flow_estimate import area_table
from worker.ports.bends import Bend, PieceBend
from worker.ports.outlines import in_order
from worker.ports.piece import SCANNER, TEMPERATURE, PortPiece, PortVolume
from worker.ports.sections import Port
from worker.ports.siblings import Match, SiblingOffsets
from worker.records import Bools, Floats

ALONG, AREA = "from the wider end, along the centreline", "area of the section"
SECTION_COLUMNS = (
    Column("from wider end", "mm"),
    Column("nominal area", "mm2"),
    Column("area", "mm2"),
    Column("U", "mm2"),
    Column("difference", "mm2"),
    Column("nominal hydraulic diameter", "mm"),
    Column("hydraulic diameter", "mm"),
    *(Column(f"centroid off, {axis}", "mm", is_departure=True) for axis in "xyz"),
    Column("outline seen", "percent"),
)
NO_CELL: tuple[Cell, ...] = (None,)
SHARED = frozenset({SCANNER, TEMPERATURE})  # sources that move the areas of two ports of one piece alike


@dataclass(frozen=True, eq=False)
class Sibling:
    """Two ports and what was found of both; first the line's own."""

    names: tuple[str, str]
    ports: tuple[Port, Port]
    pieces: tuple[PortPiece, PortPiece]
    match: Match
    offsets: SiblingOffsets

    def sentence(self, U_mm: float) -> str:
        """Which of the two sits where, and which is the smaller; U_mm : of their difference of place."""
        difference = self.offsets.difference_mm[self.offsets.worst]
        axis = int(np.argmax(np.abs(difference)))
        place = f"{self.names[0]} and its sibling {self.names[1]} sit alike within U, {U_mm:.2f} mm"
        if float(np.linalg.norm(difference)) > U_mm:
            way = f"{'-' if difference[axis] < 0 else '+'}{'xyz'[axis]}"
            place = f"{self.names[0]} sits {abs(difference[axis]):.2f} mm nearer {way} than its sibling {self.names[1]}"
        less, U = self.least_difference_mm2()
        size = f"its least area is {abs(less):.1f} mm2 {'larger' if less > 0 else 'smaller'} (U {U:.1f} mm2)"
        return f"{place}; {size if abs(less) > U else f'their least areas differ by less than U, {U:.1f} mm2'}."

    def least_difference_mm2(self) -> tuple[float, float]:
        """Least area of the first less that of the second, and U; one scanner measured both, so its scale drops out."""
        own, other = self.pieces
        own_random, other_random = (_random_sigma(piece) for piece in self.pieces)
        difference = float(own.area_mm2[own.least] - other.area_mm2[other.least])
        return difference, 2 * float(np.hypot(own_random, other_random))


def _random_sigma(piece: PortPiece) -> float:
    from_scan = [sigma[piece.least] for name, sigma in piece.area_sigma_mm2.items() if name not in SHARED]
    return float(np.linalg.norm(from_scan))


def area_exhibits(line: PortArea, port: Port, piece: PortPiece, volume: PortVolume | None) -> Exhibits:
    """Areas along the line, the table of sections, valve and flow, the line and the least section in the view."""
    along, nominal = _along(port), _areas(port)
    least, U = piece.least, piece.area_U_mm2
    limits = tuple(limit for limit in (line.least_mm2, line.most_mm2) if limit is not None)
    curves = (Curve("nominal", along, nominal), *_runs("piece", (along, piece.area_mm2), U, piece.is_measured))
    pair = float(piece.area_mm2[least]), float(nominal.min())
    flow = area_table(line, pair, float(U[least]))
    tables = [_section_table(port, piece), flow, None if volume is None else _volume_table(port, volume)]
    outline = port.sections[least].outline
    marks = (
        Mark("centreline of nominal", port.line.place_mm),
        Mark("least section of the piece", in_order(piece.outlines[least])),
        Mark("the same section of nominal", in_order(outline)),
    )
    plot = Plot("Area along the port", ALONG, "mm", AREA, "mm2", curves, limits)
    return Exhibits(tuple(table for table in tables if table is not None), (plot,), marks)


def with_short_side(made: Exhibits, port: Port, bend: Bend | None, own: PieceBend | None) -> Exhibits:
    """The same with the short side of the bend, where there is one."""
    if bend is None:
        return made
    columns = (
        Column("from wider end", "mm"),
        Column("nominal radius", "mm"),
        Column("radius", "mm"),
        Column("U", "mm"),
    )
    figures = NO_CELL * 2 if own is None else (own.radius_mm, 2 * own.sigma_mm)
    table = Table(
        f"Tightest place of the short side, read over {port.line.bend_reach_mm:.0f} mm each way",
        columns,
        ((bend.along_mm, bend.radius_mm, *figures),),
    )
    section = port.sections[bend.section]
    _, inward = port.line.bend(bend.along_mm)
    place = section.outline.centroid_mm + section.outline.reach_mm(inward) * inward
    mark = Mark("short side of nominal", place[None])
    return Exhibits((*made.tables, table), made.plots, (*made.marks, mark), made.attachments)


def volume_exhibits(port: Port, volume: PortVolume) -> Exhibits:
    """Volume of both, and the line in the view."""
    return Exhibits((_volume_table(port, volume),), (), (Mark("centreline of nominal", port.line.place_mm),))


def unmeasured_exhibits(port: Port) -> Exhibits:
    """Nominal alone, and called so."""
    plot = Plot("Area along the port", ALONG, "mm", AREA, "mm2", (Curve("nominal", _along(port), _areas(port)),))
    return Exhibits((), (plot,), (Mark("centreline of nominal", port.line.place_mm),))


def sibling_exhibits(both: Sibling) -> Exhibits:
    """Areas and offsets of both over one axis, and their figures side by side."""
    along = both.match.along_mm
    areas: list[Curve] = []
    lengths: list[Curve] = []
    rows = np.arange(len(along)), both.match.nearest
    offsets = both.offsets.own_mm, both.offsets.other_mm
    for name, piece, row, offset in zip(both.names, both.pieces, rows, offsets, strict=True):
        seen = piece.is_measured[row]
        areas += _runs(name, (along, piece.area_mm2[row]), piece.area_U_mm2[row], seen)
        spread = 2 * np.sqrt(np.trace(piece.offset_covariance_mm2[row], axis1=1, axis2=2))
        lengths += _runs(name, (along, np.linalg.norm(offset, axis=1)), spread, seen)
    title = "Offset of the centroid from its own nominal (band: scan noise and what was not seen)"
    plots = (
        Plot("Area along both ports", ALONG, "mm", AREA, "mm2", tuple(areas)),
        Plot(title, ALONG, "mm", "offset", "mm", tuple(lengths)),
    )
    marks = tuple(
        Mark(f"centreline of {name}, nominal", port.line.place_mm)
        for name, port in zip(both.names, both.ports, strict=True)
    )
    return Exhibits((_pair_table(both),), plots, marks)


def _pair_table(both: Sibling) -> Table:
    columns = (
        Column(""),
        Column("length", "mm"),
        Column("least area", "mm2"),
        Column("U", "mm2"),
        Column("of nominal", "mm2"),
        Column("largest offset", "mm", is_departure=True),
    )
    rows = [
        (
            name,
            port.line.length_mm,
            float(piece.area_mm2[piece.least]),
            float(piece.area_U_mm2[piece.least]),
            port.sections[port.least].area_mm2,
            float(np.linalg.norm(piece.offset_mm[piece.is_measured], axis=1).max()),
        )
        for name, port, piece in zip(both.names, both.ports, both.pieces, strict=True)
    ]
    less, U = both.least_difference_mm2()
    return Table("Both ports", columns, (*rows, ("first less second", None, less, U, None, None)))


def _section_table(port: Port, piece: PortPiece) -> Table:
    U = piece.area_U_mm2
    rows: list[tuple[Cell, ...]] = []
    for index, section in enumerate(port.sections):
        own: tuple[Cell, ...] = NO_CELL * 3
        offset, hydraulic = NO_CELL * 3, NO_CELL
        if piece.is_measured[index]:
            area = float(piece.area_mm2[index])
            own = (area, float(U[index]), area - section.area_mm2)
            offset = tuple(float(part) for part in piece.offset_mm[index])
            hydraulic = (float(piece.hydraulic_diameter_mm[index]),)
        seen = 100 * float(piece.seen_share[index])
        nominal = section.hydraulic_diameter_mm
        rows.append((section.along_mm, section.area_mm2, *own, nominal, *hydraulic, *offset, seen))
    return Table("Sections square to the centreline", SECTION_COLUMNS, tuple(rows))


def _volume_table(port: Port, volume: PortVolume) -> Table:
    columns = (Column("nominal", "mm3"), Column("piece", "mm3"), Column("U", "mm3"), Column("surface seen", "percent"))
    U = 2 * float(np.linalg.norm(list(volume.sigma_mm3.values())))
    figures = (port.volume_mm3, volume.volume_mm3, U, 100 * volume.seen_share)
    return Table("Volume between the ends", columns, (figures,))


def _along(port: Port) -> Floats:
    return np.array([section.along_mm for section in port.sections])


def _areas(port: Port) -> Floats:
    return np.array([section.area_mm2 for section in port.sections])


def _runs(name: str, line: tuple[Floats, Floats], U: Floats, is_measured: Bools) -> list[Curve]:
    """A curve for each unbroken run of measured sections, so that no line crosses a gap."""
    rows = np.flatnonzero(is_measured)
    runs = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if len(rows) else []
    x, y = line
    return [
        Curve(name if number == 0 else f"{name}, beyond a gap", x[run], y[run], U[run])
        for number, run in enumerate(runs)
    ]

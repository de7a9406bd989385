"""What a clearance shows beside its figure: its curve over the motion, its worst places, how the parts sit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shared.plan import Clearance
from worker.exhibits import Cell, Column, Curve, Exhibits, Mark, Plot, Table
from worker.judging.mock_up_scene import Scene, Scenes, near_minima
from worker.judging.propagation import Input, Model, propagate
from worker.records import Floats

PLACES_SHOWN = 5


def exhibits_of(line: Clearance, found: Scenes, sources: tuple[Model, Sequence[Input]]) -> Exhibits:
    """Tables, curve and marks; ``sources`` are the model and inputs of the finding, whose U the curve is drawn with."""
    U = propagate(*sources).U
    places = list(near_minima(found.actual.swept, PLACES_SHOWN))
    return Exhibits(
        tables=(_places_table(found, places), *_sitting_tables(found)),
        plots=() if found.actual.path is None else (_plot(line, found, U),),
        marks=tuple(_mark(found, number, place) for number, place in enumerate(places)),
    )


def _is_turn(scene: Scene) -> bool:
    return scene.path is not None and scene.path.point_mm is not None


def _shown(scene: Scene, positions: Floats) -> Floats:
    """Positions in degrees or millimetres."""
    shown: Floats = np.degrees(positions) if _is_turn(scene) else positions
    return shown


def _plot(line: Clearance, found: Scenes, U: float) -> Plot:
    curves = []
    for name, scene, known in (("on the piece", found.actual, U), ("as drawn", found.drawn, None)):
        least = scene.swept.clearance_mm.min(axis=1)
        band = None if known is None else np.full(len(least), known)
        curves.append(Curve(name, _shown(scene, scene.swept.positions), least, band))
    return Plot(
        title="Clearance over the motion",
        x_label="position",
        x_unit="deg" if _is_turn(found.actual) else "mm",
        y_label="clearance",
        y_unit="mm",
        curves=tuple(curves),
        limits=(line.least,),
    )


def _places_table(found: Scenes, places: Sequence[tuple[int, int]]) -> Table:
    """The lowest places of the curve, the drawing's clearance of the same part at the same position beside them."""
    scene, rows = found.actual, list[tuple[Cell, ...]]()
    for at, body in places:
        position = float(scene.swept.positions[at])
        point = scene.T_piece_target.apply(scene.gap(body, position).second_mm)
        own = [float(_shown(scene, scene.swept.positions)[at])] if scene.path is not None else []
        lengths = (float(scene.swept.clearance_mm[at, body]), found.drawn.gap(body, position).clearance_mm)
        rows.append((found.parts[body].placed.name, *own, *lengths, *(float(part) for part in point)))
    where = [Column("position", "deg" if _is_turn(scene) else "mm")] if scene.path is not None else []
    columns = [
        Column("part"),
        *where,
        Column("clearance", "mm"),
        Column("as drawn", "mm"),
        *(Column(axis, "mm") for axis in "xyz"),
    ]
    return Table("Nearest places", tuple(columns), tuple(rows))


def _sitting_tables(found: Scenes) -> tuple[Table, ...]:
    """How far each mate of each part was left off on the piece."""
    parts = (*found.parts, *(() if found.against is None else (found.against,)))
    rows = [
        (part.placed.name, name, part.off_mm[name], float(np.degrees(part.tilt_rad[name])))
        for part in parts
        for name in part.off_mm
    ]
    if not rows:
        return ()
    columns = (Column("part"), Column("on"), Column("left off by", "mm", is_departure=True), Column("tilt", "deg"))
    return (Table("How the parts sit on the piece", columns, tuple(rows)),)


def _mark(found: Scenes, number: int, place: tuple[int, int]) -> Mark:
    """A line between the two nearest places."""
    scene, (at, body) = found.actual, place
    gap = scene.gap(body, float(scene.swept.positions[at]))
    ends = scene.T_piece_target.apply(np.stack([gap.second_mm, gap.first_mm]))
    return Mark("least clearance" if number == 0 else f"near place {number + 1}", ends)

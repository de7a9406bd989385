"""What a rod passage shows beside its gap: common sizes, places that touch, moves, the gap along the rod."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shared.plan.passages import RodPassage
from worker.datums.records import MeasuringFrame
from worker.exhibits import Cell, Column, Curve, Exhibits, Mark, Plot, Table
from worker.judging.measured import Measured
from worker.judging.passage_moves import WORDS, Moves
from worker.judging.piece_passage import PRESETS_MM, Passage, Seen, reach_of, why_not_shown
from worker.judging.propagation import Input, Model, propagate
from worker.judging.verdicts import judge
from worker.passages.moves import Freedom
from worker.passages.records import Clearance, Rod, Touch
from worker.passages.skin import Skin
from worker.records import Floats, Limits, Verdict
from worker.surface import SurfaceQuery

STATIONS = 81  # along the rod: 2.5 mm apart on a common push rod
TRAVELS = 5  # of the travel that the curve is the least of
VERDICT_WORDS = {
    Verdict.CONFORMS: "passes",
    Verdict.DOES_NOT_CONFORM: "does not pass",
    Verdict.NOT_PROVEN: "not proven",
}


@dataclass(frozen=True, eq=False)
class PassageView:
    """Everything the exhibits are made from.

    skin : of the piece that was seen, behind ``clearance``
    nominal_gap_mm : in the CAD;  seen : how much of the surface near it was scanned
    """

    line: RodPassage
    passage: Passage
    clearance: Clearance
    skin: Skin
    frame: MeasuringFrame
    moves: Moves
    nominal_gap_mm: float | None
    seen: Seen


def exhibits_of(view: PassageView, inputs: Sequence[Input], model: Model, measured: Measured) -> Exhibits:
    """Tables of sizes, places and moves; the gap along the rod; the axis, where it touches, and the moved axis."""
    found = propagate(model, inputs)
    tables = (_sizes(view, found.U), _places(view, measured), _moves(view.moves, view.passage.radius_mm))
    return Exhibits(tables=tables, plots=(_plot(view, found.U),), marks=_marks(view))


def place_words(touch: Touch, skin: Skin, measured: Measured) -> str:
    """Where a place of the skin lies: its feature, its regions, its face."""
    samples = measured.samples
    corners = skin.corner_sample[touch.triangle]
    sample = int(corners[np.argmax(touch.barycentric)])
    source = samples.triangle_source[(samples.triangles == corners).all(axis=1)]
    words = [feature.id for feature in measured.features if np.isin(source, feature.triangles).any()]
    words += [region.name for region in measured.regions if region.is_member[sample]]
    face = measured.nominal.faces[int(samples.face[sample])]
    words.append(f"face {face.index}" if face.name is None else f"face {face.index} '{face.name}'")
    return ", ".join(words)


def _sizes(view: PassageView, U: float) -> Table:
    wanted = 2 * view.passage.radius_mm
    rows: list[tuple[Cell, ...]] = []
    sizes = {**PRESETS_MM, "wanted": wanted}
    for name, diameter in sizes.items():
        gap = view.clearance.least_mm - diameter / 2
        verdict, _ = judge(gap, U, Limits(view.line.least, None))
        if verdict is Verdict.CONFORMS and why_not_shown(view.seen, diameter / 2, view.line.least):
            verdict = Verdict.NOT_PROVEN
        in_cad = None if view.nominal_gap_mm is None else view.nominal_gap_mm + (wanted - diameter) / 2
        rows.append((name, diameter, in_cad, gap, U, VERDICT_WORDS[verdict]))
    columns = (
        Column("rod"),
        Column("diameter", "mm"),
        Column("gap in the CAD", "mm", is_departure=True),
        Column("gap", "mm", is_departure=True),
        Column("U", "mm", is_departure=True),
        Column("with the gap required"),
    )
    return Table("Rods through this passage", columns, tuple(rows))


def _places(view: PassageView, measured: Measured) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for touch in view.clearance.touches:
        x, y, z = view.frame.T_frame_pose.apply(touch.surface_mm)
        gap = touch.distance_mm - view.passage.radius_mm
        along = view.passage.rod.length_mm * touch.share
        rows.append((place_words(touch, view.skin, measured), float(x), float(y), float(z), along, gap))
    columns = (
        Column("place"),
        Column("x", "mm"),
        Column("y", "mm"),
        Column("z", "mm"),
        Column("along the rod", "mm"),
        Column("gap", "mm", is_departure=True),
    )
    title = (
        "Where the axis goes through material" if view.clearance.is_cut else "Where the rod would touch, nearest first"
    )
    return Table(title, columns, tuple(rows))


def _moves(moves: Moves, radius_mm: float) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for words, found in (("largest rod", moves.best), ("rod wanted, with its gap", moves.least)):
        for freedom in Freedom:
            move = found.get(freedom)
            if move is None:
                rows.append((words, WORDS[freedom], *([None] * 8)))
                continue
            lengths = [float(part) for part in move.ends_mm.ravel()]
            rows.append((words, WORDS[freedom], *lengths, 2 * move.least_mm, move.least_mm - radius_mm))
    axes = [Column(f"{end} {axis}", "mm", is_departure=True) for end in ("start", "end") for axis in "xyz"]
    columns = (
        Column("for the"),
        Column("moving"),
        *axes,
        Column("largest diameter", "mm"),
        Column("gap then", "mm", is_departure=True),
    )
    return Table("How the axis would have to move", columns, tuple(rows))


def _plot(view: PassageView, U: float) -> Plot:
    passage = view.passage
    share = np.linspace(0.0, 1.0, STATIONS)
    curves = []
    for name, skin, own in (
        ("CAD", passage.nominal_skin(reach_of(passage) + passage.radius_mm), None),
        ("piece", passage.seen_skin(reach_of(passage) + passage.radius_mm), np.full(STATIONS, U)),
    ):
        if len(skin.triangles):
            curves.append(
                Curve(name, passage.rod.length_mm * share, _along(skin, passage.rod, share) - passage.radius_mm, own)
            )
    limits = (float(view.line.least),)
    return Plot("Gap along the rod", "along the rod", "mm", "gap", "mm", tuple(curves), limits)


def _along(skin: Skin, rod: Rod, share: Floats) -> Floats:
    """Distance (n,) of the surface from places of the axis, 0 in material; the least over stations of the travel."""
    query = SurfaceQuery(skin.vertices_mm, skin.triangles)
    best = np.full(len(share), np.inf)
    for travel in np.linspace(0.0, 1.0, 1 if rod.is_still else TRAVELS):
        axis = rod.at(share, np.full(len(share), travel))
        near = query.signed(axis)
        placed = skin.places(near.triangle, near.barycentric)
        distance = np.where(near.signed_mm > 0, np.linalg.norm(axis - placed, axis=1), 0.0)
        best = np.minimum(best, distance)
    return best


def _marks(view: PassageView) -> tuple[Mark, ...]:
    at = view.frame.T_frame_pose
    rod = view.passage.rod.placed(at)
    marks = [Mark("axis of the rod", rod.first_mm)]
    if not rod.is_still:
        marks.append(Mark("axis at full lift", rod.second_mm))
    told = "goes through material" if view.clearance.is_cut else "touches first"
    for number, touch in enumerate(view.clearance.touches):
        marks.append(Mark(told if number == 0 else f"touch {number + 1}", at.apply(touch.surface_mm)[None]))
    for freedom, move in view.moves.least.items():
        if move.longest_mm > 0:
            marks.append(Mark(f"axis after moving: {WORDS[freedom]}", rod.shifted(move.ends_mm).first_mm))
    return tuple(marks)

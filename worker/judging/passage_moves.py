"""How far the axis of a rod would have to move, in the words and figures of a report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from shared.plan.passages import RodPassage
from worker.datums.records import MeasuringFrame
from worker.judging.finding import row
from worker.judging.measured import Measured
from worker.judging.piece_passage import Passage, reach_of
from worker.passages.moves import Freedom, Move, MoveSettings, best_move, least_move
from worker.records import Floats

WORDS = {Freedom.SHIFT: "whole axis", Freedom.BOTH_ENDS: "each end by itself"}
SETTINGS = MoveSettings()


@dataclass(frozen=True, eq=False)
class Moves:
    """What moves of the axis gain on the piece as it was scanned; motions in part axes.

    best, least : by freedom; no entry where none was found
    """

    best: Mapping[Freedom, Move]
    least: Mapping[Freedom, Move]
    need_mm: float
    details: dict[str, float | str | tuple[float, ...] | None] = field(default_factory=dict)


def moves_of(line: RodPassage, passage: Passage, frame: MeasuringFrame, measured: Measured) -> Moves:
    """The best move of the whole axis and of both ends, and the least that makes the rod wanted pass with its gap.

    The best is that of the thickest rod, so that rods of several sizes on one axis share it.
    """
    skin = passage.seen_skin(reach_of(passage) + 2 * SETTINGS.reach_mm)
    best: dict[Freedom, Move] = {}
    least: dict[Freedom, Move] = {}
    rod = (passage.rod.first_mm.tobytes(), passage.rod.second_mm.tobytes(), line.regions)
    for freedom in Freedom:
        found = measured.once(
            ("best move of rod", freedom, rod), partial(best_move, skin, passage.rod, freedom, SETTINGS)
        )
        if found is None:
            continue
        best[freedom] = _turned(found, frame)
        drawn = least_move(skin, passage.rod, passage.need_mm, found, SETTINGS)
        if drawn is not None:
            least[freedom] = _turned(drawn, frame)
    return Moves(best, least, passage.need_mm, _details(best, least))


def _turned(move: Move, frame: MeasuringFrame) -> Move:
    return Move(frame.T_frame_pose.turn(move.ends_mm), move.least_mm)


def _details(
    best: Mapping[Freedom, Move], least: Mapping[Freedom, Move]
) -> dict[str, float | str | tuple[float, ...] | None]:
    told: dict[str, float | str | tuple[float, ...] | None] = {"move": _words(least)}
    if Freedom.SHIFT in best:
        told["best_shift_mm"] = row(best[Freedom.SHIFT].ends_mm[0])
        told["best_shift_diameter_mm"] = 2 * best[Freedom.SHIFT].least_mm
    if Freedom.BOTH_ENDS in best:
        told["best_start_move_mm"], told["best_end_move_mm"] = _rows(best[Freedom.BOTH_ENDS])
        told["best_both_ends_diameter_mm"] = 2 * best[Freedom.BOTH_ENDS].least_mm
    if Freedom.SHIFT in least:
        told["least_shift_mm"] = row(least[Freedom.SHIFT].ends_mm[0])
    if Freedom.BOTH_ENDS in least:
        told["least_start_move_mm"], told["least_end_move_mm"] = _rows(least[Freedom.BOTH_ENDS])
    return told


def _rows(move: Move) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return row(move.ends_mm[0]), row(move.ends_mm[1])


def _words(least: Mapping[Freedom, Move]) -> str:
    """What would let the rod wanted pass with its gap."""
    if not least:
        return f"no move within {SETTINGS.reach_mm:g} mm lets it pass with its gap"
    parts = []
    for freedom, move in least.items():
        if move.longest_mm <= SETTINGS.settled_mm:
            return "none is needed: it passes with its gap as it stands"
        if freedom is Freedom.SHIFT:
            parts.append(f"the whole axis by {_vector(move.ends_mm[0])}")
        else:
            parts.append(f"its start by {_vector(move.ends_mm[0])} and its end by {_vector(move.ends_mm[1])}")
    return "it passes with its gap after moving " + ", or ".join(parts)


def _vector(vector_mm: Floats) -> str:
    x, y, z = np.round(vector_mm, 3) + 0.0
    return f"({x:.3f}, {y:.3f}, {z:.3f}) mm"

"""The list of moves to ask for: whom, what, by how much, and why.

A measured fault is moved back by what was measured; a rod that does not pass is moved by the least
that lets it; a solve asks for what it found.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from shared.plan import Freedom, Move, MoveOf, PieceKind, Plan, SolvedMove
from shared.plan.what_if import TURNS
from shared.texts import cell_text
from worker.exhibits import Attachment, Column, Exhibits, Mark, Section, Table
from worker.records import Characteristic, Floats, Verdict
from worker.whatif.amounts import THOU_MM, length_text, shift_text
from worker.whatif.parts import BODY
from worker.whatif.records import DIAMETER, OUTWARD, Asked, Freed, Outcome, Solved

FOUNDRY, DESIGNER, VALVE_GEAR = "foundry", "designer", "valve-gear maker"
MAKERS = {PieceKind.CASTING: FOUNDRY, PieceKind.PRINT: "print shop", PieceKind.MACHINED: "machine shop"}
COLUMNS = (
    "number", "who", "what", "dx_mm", "dy_mm", "dz_mm", "dx_thou", "dy_thou", "dz_thou",
    "size_mm", "size_thou", "size_of", "turn_x_deg", "turn_y_deg", "turn_z_deg", "about_x_mm", "about_y_mm",
    "about_z_mm", "reason", "U_mm", "line",
)  # fmt: skip
TURN_NAMES = tuple(freedom.value for freedom in TURNS)
AXES = (Freedom.X.value, Freedom.Y.value, Freedom.Z.value)
LEANS_SHARE = 0.25  # of the offset: both ends of an axis farther apart than that are told


def moves_to_ask(plan_mm: Plan, judged: Sequence[Characteristic], solved: Sequence[Solved]) -> tuple[Asked, ...]:
    """Moves in the order of the plan: first what was measured to be off, then what was solved.

    judged : the lines of the plan on the piece as scanned
    """
    measured = [asked for line in judged for asked in _measured(line, plan_mm)]
    of_solve = {solve.name: solve.of for solve in plan_mm.solve}
    by_id = {line.id: line for line in judged}
    found = [asked for one in solved for asked in _solved(one, of_solve.get(one.name, MoveOf.DESIGN), by_id, plan_mm)]
    return (*measured, *found)


def moves_section(asked: Sequence[Asked]) -> Section:
    """The list as a table, as arrows in the part, and as a file."""
    marks = tuple(
        Mark(f"{number}. {one.who}: {_what(one)}: {amount_words(one)}", one.arrow_mm)
        for number, one in enumerate(asked, start=1)
        if one.arrow_mm is not None
    )
    masks = [one.sample_mask for one in asked if one.sample_mask is not None]
    exhibits = Exhibits(tables=(moves_table(asked),), marks=marks, attachments=(moves_file(asked),))
    return Section("List of moves", exhibits, np.any(masks, axis=0) if masks else None)


def amount_words(one: Asked) -> str:
    """How far and which way, in words."""
    if one.shift_mm is not None:
        return f"shift by {shift_text(one.shift_mm)}"
    if one.turn_rad is not None:
        x, y, z = np.degrees(one.turn_rad)
        return f"turn by ({x:+.4f}, {y:+.4f}, {z:+.4f}) degrees about x, y, z"
    return length_text(one.size_mm or 0.0)


def moves_table(asked: Sequence[Asked]) -> Table:
    """One row a move."""
    shifts = tuple(Column(f"move {axis}", "mm", is_departure=True) for axis in "xyz")
    turns = (
        tuple(Column(f"turn {axis}", "deg") for axis in "xyz") if any(one.turn_rad is not None for one in asked) else ()
    )
    columns = (
        Column("no."),
        Column("ask"),
        Column("what"),
        *shifts,
        *turns,
        Column("size", "mm", is_departure=True),
        Column("U", "mm", is_departure=True),
        Column("why"),
        Column("line"),
    )
    rows = tuple(
        (
            str(number),
            one.who,
            _what(one),
            *_shift(one),
            *(_turn_deg(one) if turns else ()),
            one.size_mm,
            one.U_mm,
            one.reason,
            one.line,
        )
        for number, one in enumerate(asked, start=1)
    )
    return Table("Moves to ask for, in part axes", columns, rows)


def moves_file(asked: Sequence[Asked]) -> Attachment:
    """The list as CSV, lengths in mm and in thousandths of an inch; what does not apply is empty."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for number, one in enumerate(asked, start=1):
        shift = _shift(one)
        about = (None, None, None) if one.pivot_mm is None else tuple(float(part) for part in one.pivot_mm)
        writer.writerow(
            [
                number,
                cell_text(one.who),
                cell_text(one.what),
                *(_number(part, 1.0, 4) for part in shift),
                *(_number(part, THOU_MM, 2) for part in shift),
                _number(one.size_mm, 1.0, 4),
                _number(one.size_mm, THOU_MM, 2),
                cell_text(one.size_words),
                *(_number(part, 1.0, 5) for part in _turn_deg(one)),
                *(_number(part, 1.0, 4) for part in about),
                cell_text(one.reason),
                _number(one.U_mm, 1.0, 4),
                cell_text(one.line),
            ]
        )
    return Attachment("moves.csv", "List of moves", "text/csv", text.getvalue().encode("utf-8"))


def _measured(line: Characteristic, plan_mm: Plan) -> Iterator[Asked]:
    """A core or a hole shown to be off, moved back by what was measured; a rod's axis, until it passes."""
    if line.verdict is not Verdict.DOES_NOT_CONFORM:
        return
    displaced, start = line.details.get("displacement_mm"), line.details.get("offset_at_start_mm")
    rod = line.details.get("least_shift_mm")
    if isinstance(rod, tuple) and any(rod):
        reason = f"{line.title}: {_gap(line)}; it passes with its gap once moved so"
        yield Asked(
            who=VALVE_GEAR, what="axis of the rod", shift_mm=np.array(rod), reason=reason, line=line.id, U_mm=line.U
        )
    if isinstance(displaced, tuple):
        reason = f"{line.title}: displaced by {_reached(line)}"
        what, who = line.region or line.title, _asked_of(line.region, plan_mm) or FOUNDRY
        yield Asked(who=who, what=what, shift_mm=-np.array(displaced), reason=reason, line=line.id, U_mm=line.U)
    elif isinstance(start, tuple):
        end = line.details.get("offset_at_end_mm")
        ends = np.array([start, end if isinstance(end, tuple) else start])
        what = line.feature or line.title
        reason = f"{line.title}: needs a zone of {_reached(line)}{_lean(ends)}"
        who = _asked_of(line.feature, plan_mm) or MAKERS[plan_mm.piece.kind]
        half = None if line.U is None else line.U / 2  # the zone is twice the offset
        yield Asked(who=who, what=what, shift_mm=-ends.mean(axis=0), reason=reason, line=line.id, U_mm=half)


def _gap(line: Characteristic) -> str:
    least = line.limits.lower
    return f"gap {line.measured:.3f} mm" + ("" if least is None else f", {least:.3f} required")


def _reached(line: Characteristic) -> str:
    most = line.limits.upper
    allowed = "" if most is None else f", {most:.3f} allowed"
    return f"{line.measured:.3f} mm{allowed}"


def _lean(ends_mm: Floats) -> str:
    """That the axis leans, where its ends are off by different amounts; ends : (2, 3)."""
    apart = float(np.linalg.norm(ends_mm[1] - ends_mm[0]))
    if apart <= LEANS_SHARE * float(np.linalg.norm(ends_mm, axis=1).max()):
        return ""
    return "; it leans: its ends are off by ({:+.3f}, {:+.3f}, {:+.3f}) and ({:+.3f}, {:+.3f}, {:+.3f}) mm".format(
        *ends_mm.ravel()
    )


def _asked_of(name: str | None, plan_mm: Plan) -> str | None:
    """Whom the plan's own moves of this region or feature name."""
    tried = [move for scenario in plan_mm.what_if for move in scenario.moves]
    moves: list[Move | SolvedMove] = [*tried, *(move for solve in plan_mm.solve for move in solve.moves)]
    for move in moves:
        picked = None if move.feature is None else move.feature.id
        if move.ask_of is not None and name is not None and name in (move.region, picked):
            return move.ask_of
    return None


def _solved(found: Solved, of: MoveOf, by_id: dict[str, Characteristic], plan_mm: Plan) -> Iterator[Asked]:
    """One row a part and way of a solve that found a move."""
    if found.outcome is not Outcome.FOUND or found.move_mm is None:
        return
    failing = [name for name, margin in found.margins_before.items() if margin < 0]
    short = ", ".join(f"{name} short by {-found.margins_before[name]:.3f}" for name in failing)
    reason = f"{found.name}: {short}, U included"
    known = [by_id[name].U for name in failing]
    U_mm = max((U for U in known if U is not None), default=None)
    parts = dict.fromkeys(freed.part for freed in found.freed)
    for part in parts:
        own = [
            (freed, value)
            for freed, value in zip(found.freed, found.move_mm.tolist(), strict=True)
            if freed.part == part
        ]
        who = own[0][0].ask_of or default_who(own[0][0].source, of, plan_mm)
        for way in _ways(own):
            yield Asked(who=who, what=part, reason=reason, line=", ".join(failing), U_mm=U_mm, **way)


def _ways(own: Sequence[tuple[Freed, float]]) -> Iterator[dict[str, Any]]:
    """Of one part: its shift, its turn, and each change of size."""
    shifts = [(AXES.index(freed.freedom), value) for freed, value in own if freed.freedom in AXES]
    turns = [(freed, value) for freed, value in own if freed.is_turn]
    if shifts:
        shift = np.zeros(3)
        for axis, value in shifts:
            shift[axis] = value
        yield {"shift_mm": shift}
    if turns:
        turn = np.zeros(3)
        for freed, value in turns:
            turn[TURN_NAMES.index(freed.freedom)] = np.radians(freed.degrees(value))
        yield {"turn_rad": turn, "pivot_mm": np.array(turns[0][0].pivot_mm)}
    for freed, value in own:
        if freed.freedom == Freedom.OFFSET.value:
            yield {"size_mm": value, "size_words": OUTWARD}
        elif freed.freedom == Freedom.DIAMETER.value:
            yield {"size_mm": value, "size_words": DIAMETER}


def default_who(source: str, of: MoveOf, plan_mm: Plan) -> str:
    """Whom to ask where the plan does not say: by what moves, and whether the CAD moves with it."""
    if source == BODY:
        return VALVE_GEAR
    if source == "core":
        return FOUNDRY
    return DESIGNER if of is MoveOf.DESIGN else MAKERS[plan_mm.piece.kind]


def _what(one: Asked) -> str:
    return f"{one.what}, {one.size_words}" if one.size_words else one.what


def _shift(one: Asked) -> tuple[float | None, ...]:
    return (None, None, None) if one.shift_mm is None else tuple(float(part) + 0.0 for part in one.shift_mm)


def _turn_deg(one: Asked) -> tuple[float | None, ...]:
    return (None, None, None) if one.turn_rad is None else tuple(float(part) + 0.0 for part in np.degrees(one.turn_rad))


def _number(value: float | None, unit_mm: float, digits: int) -> str:
    return "" if value is None else f"{value / unit_mm:.{digits}f}"

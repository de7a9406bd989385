"""The list of moves to ask for: whom, what, by how much, and why.

A measured fault is moved back by what was measured; a solve asks for what it found.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence

import numpy as np

from shared.plan import Freedom, Move, MoveOf, PieceKind, Plan, SolvedMove
from shared.texts import cell_text
from shared.units import LengthUnit
from worker.exhibits import Attachment, Column, Exhibits, Table
from worker.records import Characteristic, Floats, Verdict
from worker.whatif.parts import BODY
from worker.whatif.records import Asked, Freed, Outcome, Solved

THOU_MM = LengthUnit.INCH.mm / 1000
FOUNDRY, DESIGNER, VALVE_GEAR = "foundry", "designer", "valve-gear maker"
MAKERS = {PieceKind.CASTING: FOUNDRY, PieceKind.PRINT: "print shop", PieceKind.MACHINED: "machine shop"}
COLUMNS = (
    "who", "what", "dx_mm", "dy_mm", "dz_mm", "dx_thou", "dy_thou", "dz_thou",
    "size_mm", "size_thou", "size_of", "reason", "U_mm", "line",
)  # fmt: skip
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


def moves_exhibits(asked: Sequence[Asked]) -> Exhibits:
    """The list as a table and as a file."""
    return Exhibits(tables=(moves_table(asked),), attachments=(moves_file(asked),))


def moves_table(asked: Sequence[Asked]) -> Table:
    """One row a move."""
    shifts = tuple(Column(f"move {axis}", "mm", is_departure=True) for axis in "xyz")
    columns = (
        Column("ask"),
        Column("what"),
        *shifts,
        Column("size", "mm", is_departure=True),
        Column("U", "mm", is_departure=True),
        Column("why"),
        Column("line"),
    )
    rows = tuple((one.who, _what(one), *_shift(one), one.size_mm, one.U_mm, one.reason, one.line) for one in asked)
    return Table("Moves to ask for, in part axes", columns, rows)


def moves_file(asked: Sequence[Asked]) -> Attachment:
    """The list as CSV, lengths in mm and in thousandths of an inch; what does not apply is empty."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for one in asked:
        shift = _shift(one)
        writer.writerow(
            [
                cell_text(one.who),
                cell_text(one.what),
                *(_number(part, 1.0, 4) for part in shift),
                *(_number(part, THOU_MM, 2) for part in shift),
                _number(one.size_mm, 1.0, 4),
                _number(one.size_mm, THOU_MM, 2),
                cell_text(one.size_words),
                cell_text(one.reason),
                _number(one.U_mm, 1.0, 4),
                cell_text(one.line),
            ]
        )
    return Attachment("moves.csv", "List of moves", "text/csv", text.getvalue().encode("utf-8"))


def _measured(line: Characteristic, plan_mm: Plan) -> Iterator[Asked]:
    """A core or a hole shown to be off, moved back by what was measured."""
    if line.verdict is not Verdict.DOES_NOT_CONFORM:
        return
    displaced, start = line.details.get("displacement_mm"), line.details.get("offset_at_start_mm")
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
    shifts: dict[str, tuple[Freed, Floats]] = {}
    for freed, value in zip(found.freed, found.move_mm.tolist(), strict=True):
        if freed.freedom in AXES:
            _, shift = shifts.setdefault(freed.part, (freed, np.zeros(3)))
            shift[AXES.index(freed.freedom)] = value
    for freed, shift in shifts.values():
        who = freed.ask_of or default_who(freed.source, of, plan_mm)
        yield Asked(who=who, what=freed.part, shift_mm=shift, reason=reason, line=", ".join(failing), U_mm=U_mm)
    for freed, value in zip(found.freed, found.move_mm.tolist(), strict=True):
        if freed.freedom not in AXES:
            yield Asked(
                who=freed.ask_of or default_who(freed.source, of, plan_mm),
                what=freed.part,
                size_mm=value,
                size_words="wall outward" if freed.freedom == Freedom.OFFSET.value else "diameter",
                reason=reason,
                line=", ".join(failing),
                U_mm=U_mm,
            )


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


def _number(value: float | None, unit_mm: float, digits: int) -> str:
    return "" if value is None else f"{value / unit_mm:.{digits}f}"

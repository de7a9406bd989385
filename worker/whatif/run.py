"""All that a plan asks to be tried and solved, and how it is shown."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shared.plan import Plan
from worker.exhibits import Column, Exhibits, Section, Table
from worker.judging.measured import Measured
from worker.records import Characteristic
from worker.whatif.arrows import with_marks
from worker.whatif.margins import UNREACHABLE
from worker.whatif.moves_list import moves_section, moves_to_ask
from worker.whatif.records import Freed, Row, Solved, Tried, WhatIf
from worker.whatif.scenarios import Stand, try_scenario
from worker.whatif.solving import solve_plan

NOTE = (
    "The parts named are moved whole, with the deviations and scan points on them; the surface around them stays "
    "and stretches to meet them. Limits that the CAD gives move with it."
)


def run_what_if(
    plan_mm: Plan, measured: Measured, characteristics: Sequence[Characteristic], seed: int, *, thread_count: int = 0
) -> WhatIf:
    """Try the plan's scenarios, solve its solves, and list the moves to ask for.

    plan_mm : lengths in mm;  characteristics : its lines as judged on ``measured``
    thread_count : of the kernel that measures walls anew, 0 for all

    A scan that is not aligned has nothing tried, and says why.  Measured faults are listed whether or not the
    plan asks for moves.

    Raises
    ------
    PlanInvalid
        If a move names what the piece does not have, or a region that ends in the middle of large triangles.

    """
    why_not = measured.why_not
    if why_not is not None:
        return WhatIf((), (), (), seed, why_not)
    tried: tuple[Tried, ...] = ()
    solved: tuple[Solved, ...] = ()
    if plan_mm.what_if or plan_mm.solve:
        stand = Stand.of(plan_mm, measured, characteristics, seed=seed, thread_count=thread_count)
        tried = tuple(try_scenario(scenario, stand) for scenario in plan_mm.what_if)
        solved = tuple(solve_plan(solve, stand) for solve in plan_mm.solve)
        plan_mm = stand.plan_mm
        measured = stand.measured
    asked = with_marks(moves_to_ask(plan_mm, characteristics, solved), plan_mm, measured)
    return WhatIf(tried, solved, asked, seed)


def what_if_sections(found: WhatIf) -> tuple[Section, ...]:
    """Each scenario, each solve, and the list of moves, with what is shown of them."""
    shown = [Section(f"What if: {one.name}", _tried(one), one.sample_mask) for one in found.tried]
    shown += [Section(f"Solved: {one.name}", _solved(one), one.sample_mask) for one in found.solved]
    if found.asked:
        shown.append(moves_section(found.asked))
    if found.why_not is not None:
        shown.append(Section("What if", Exhibits(tables=(_sentences("Not tried", (found.why_not,)),))))
    return tuple(shown)


def _tried(one: Tried) -> Exhibits:
    moves = _sentences("Moves made", (*one.words, NOTE))
    if not one.rows:
        return Exhibits(tables=(moves, _sentences("Lines", ("No line of the plan is touched.",))), marks=one.marks)
    return Exhibits(tables=(moves, *row_tables(one.rows)), marks=one.marks)


def row_tables(rows: Sequence[Row]) -> tuple[Table, ...]:
    """Lines before and after: one table for each unit."""
    units = dict.fromkeys(row.unit for row in rows)
    return tuple(_row_table(unit, [row for row in rows if row.unit == unit]) for unit in units)


def _row_table(unit: str, rows: Sequence[Row]) -> Table:
    columns = (
        Column("line"),
        Column("title"),
        Column("nominal before", unit),
        Column("nominal after", unit),
        Column("measured before", unit),
        Column("measured after", unit),
        Column("change", unit, is_departure=unit == "mm"),
        Column("U before", unit, is_departure=unit == "mm"),
        Column("U after", unit, is_departure=unit == "mm"),
        Column("least allowed after", unit),
        Column("most allowed after", unit),
        Column("before"),
        Column("after"),
    )
    return Table(f"Before and after, {unit}", columns, tuple(_cells(row) for row in rows))


def _cells(row: Row) -> tuple[str | float | None, ...]:
    limits = row.limits_after
    after = row.after.verdict.value.replace("_", " ")
    return (
        row.id,
        row.title,
        row.nominal_before,
        row.nominal_after,
        row.before.measured,
        row.after.measured,
        row.change,
        row.before.U,
        row.after.U,
        limits.lower,
        limits.upper,
        row.before.verdict.value.replace("_", " "),
        after if row.after.reason is None else f"{after}: {row.after.reason}",
    )


def _solved(one: Solved) -> Exhibits:
    tables = [_sentences("Result", tuple(text for text in (one.words, one.shown, NOTE) if text))]
    if one.move_mm is not None:
        tables += [*_move_tables(one.freed, one.move_mm.tolist()), *_margin_tables(one)]
    return Exhibits(tables=(*tables, *row_tables(one.rows)), marks=one.marks)


def _move_tables(freed: Sequence[Freed], amounts: Sequence[float]) -> list[Table]:
    """Shifts and changes of size, and turns by their angle."""
    own = list(zip(freed, amounts, strict=True))
    lengths = tuple((one.part, one.freedom, value, one.most_mm) for one, value in own if not one.is_turn)
    turns = tuple(
        (one.part, one.freedom, one.degrees(value), one.degrees(one.most_mm)) for one, value in own if one.is_turn
    )
    tables = []
    for title, unit, rows in (("Move", "mm", lengths), ("Turn", "deg", turns)):
        heads = [Column(head, unit, is_departure=unit == "mm") for head in ("move", "limit each way")]
        if rows:
            tables.append(Table(title, (Column("part"), Column("freedom"), *heads), rows))
    return tables


def _margin_tables(one: Solved) -> list[Table]:
    """One table for each unit; a line that the move leaves unmeasured has a dash."""
    tables = []
    for unit in dict.fromkeys(one.units.values()):
        names = [name for name in one.margins if one.units[name] == unit]
        rows = tuple((name, _margin(one.margins_before[name]), _margin(one.margins[name])) for name in names)
        columns = (Column("line"), *(Column(head, unit, is_departure=unit == "mm") for head in ("before", "after")))
        tables.append(Table("Room to the nearest limit with U taken off", columns, rows))
    return tables


def _margin(value: float) -> float | None:
    return None if value <= UNREACHABLE or np.isinf(value) else value


def _sentences(title: str, lines: Sequence[str]) -> Table:
    return Table(title, (Column("what"),), tuple((line,) for line in lines))

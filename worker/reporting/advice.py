"""What follows from a line that does not conform: what to move, and what it owes to a displaced core."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from shared.report import CharacteristicRecord, Vector
from worker.judging.core_exhibits import DUE, WALL
from worker.reporting import wording


def advice(line: CharacteristicRecord, lines: Sequence[CharacteristicRecord]) -> str:
    """Sentences, each after a space, where the figures say so by themselves; empty where they do not.

    lines : the whole list, among which displaced cores may explain a wall
    """
    if line.kind == "core_displacement":
        return _core(line)
    if line.kind == "rod_passage":
        return _rod(line)
    return _wall(line, lines) if line.kind == "wall_between" else ""


def vector_of(line: CharacteristicRecord, name: str) -> Vector | None:
    """A vector by part axes from the characteristic's further figures."""
    value = line.details.get(name)
    if not isinstance(value, list) or len(value) != 3:
        return None
    return value[0], value[1], value[2]


def _core(line: CharacteristicRecord) -> str:
    moved = vector_of(line, "displacement_mm")
    if moved is None:
        return ""
    return f" To set it back, move the core by {wording.vector([-part for part in moved])}."


def _rod(line: CharacteristicRecord) -> str:
    shift = vector_of(line, "least_shift_mm")
    if shift is None or not any(shift):
        return ""
    return f" It passes with its gap once its axis is moved by {wording.vector(shift)}."


def _wall(line: CharacteristicRecord, lines: Sequence[CharacteristicRecord]) -> str:
    change = line.details.get("change_mm")
    if not isinstance(change, float) or change >= 0:
        return ""
    taken = "".join(f"; the shift of core {name} takes {wording.departure(-due)}" for name, due in _takers(line, lines))
    return f" It has {wording.departure(-change)} less there than the CAD{taken}."


def _takers(line: CharacteristicRecord, lines: Sequence[CharacteristicRecord]) -> Iterator[tuple[str, float]]:
    """Cores shown to be displaced, and by how much, mm below 0, their shift changes this wall."""
    for core in lines:
        if core.kind != "core_displacement" or core.verdict != "does_not_conform" or core.exhibits is None:
            continue
        for table in core.exhibits.tables:
            names = [column.name for column in table.columns]
            if WALL not in names or DUE not in names:
                continue
            for row in table.rows:
                due = row[names.index(DUE)]
                if row[names.index(WALL)] == line.id and isinstance(due, float) and due < 0:
                    yield core.region or core.title, due

"""What a characteristic shows beside its one figure: tables, curves, places in the part, files to take along.

The stages make these; the report draws them and knows nothing of what they speak of.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Cell = str | float | None  # None is shown as a dash: not measured, or not applicable
UNITS = ("", "mm", "mm2", "mm3", "deg", "percent", "cc", "cfm", "count", "ratio")


@dataclass(frozen=True)
class Column:
    """Head of a column; figures in it are in ``unit``, one of ``UNITS`` ("" for text).

    is_departure : small lengths, shown in thousandths where inches are asked for
    """

    name: str
    unit: str = ""
    is_departure: bool = False


@dataclass(frozen=True)
class Table:
    """Rows of cells, one for each column."""

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn."""
        if any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError(f"{self.title}: a row has not one cell for each column")
        if any(column.unit not in UNITS for column in self.columns):
            raise ValueError(f"{self.title}: unknown unit")


@dataclass(frozen=True, eq=False)
class Curve:
    """x, y : (n,);  U : (n,) expanded uncertainty of y, drawn as a band; None where none is known."""

    name: str
    x: Floats
    y: Floats
    U: Floats | None = None


@dataclass(frozen=True, eq=False)
class Plot:
    """Curves over one axis; units of ``UNITS``.  limits : y values of required levels, drawn as broken lines."""

    title: str
    x_label: str
    x_unit: str
    y_label: str
    y_unit: str
    curves: tuple[Curve, ...]
    limits: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class Mark:
    """A place in the part: one point or a line through several, (n, 3) mm, nominal frame."""

    label: str
    points_mm: Floats


@dataclass(frozen=True, eq=False)
class Attachment:
    """A file to take along.  name : letters, digits, dot and dash, unique within the characteristic."""

    name: str
    title: str
    media_type: str
    content: bytes


@dataclass(frozen=True, eq=False)
class Exhibits:
    """All of one characteristic."""

    tables: tuple[Table, ...] = ()
    plots: tuple[Plot, ...] = ()
    marks: tuple[Mark, ...] = ()
    attachments: tuple[Attachment, ...] = ()


NOTHING = Exhibits()


@dataclass(frozen=True, eq=False)
class Section:
    """Something shown beside the characteristics.  sample_mask : (s,) of nominal's samples that it speaks of."""

    title: str
    exhibits: Exhibits
    sample_mask: NDArray[np.bool_] | None = None

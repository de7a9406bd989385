"""What offsets, depths, volumes and siblings show beside their figure."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from worker.exhibits import Cell, Column, Exhibits, Mark, Table
from worker.features.records import Feature
from worker.judging.moved import Moved
from worker.judging.nominal_offsets import CC, NominalCavity, NominalSection
from worker.judging.propagation import Departures, Input, propagate
from worker.offsets.cavity import Filled
from worker.offsets.outline import Outline
from worker.records import Floats

AXES = ("x", "y", "z")
MARK_HALF_MM = 10.0  # an axis is drawn this far to both sides of the section
VECTOR_COLUMNS = (
    Column(""),
    *(Column(axis, "mm", is_departure=True) for axis in AXES),
    Column("length", "mm", is_departure=True),
)


def vector_rows(names: Sequence[str], vectors_mm: Floats) -> tuple[tuple[str | float, ...], ...]:
    """A row a vector (n, 3): its name, its parts, its length."""
    return tuple(
        (name, *(float(part) for part in vector), float(np.linalg.norm(vector)))
        for name, vector in zip(names, vectors_mm, strict=True)
    )


def parts_uncertainty(vectors: Callable[[Departures], Floats], inputs: Sequence[Input]) -> tuple[float, ...]:
    """U of each part of a vector (n, 3), and of its length."""

    def part(index: int) -> Callable[[Departures], Floats]:
        return lambda by: vectors(by)[:, index]

    found = [propagate(part(index), inputs).U for index in range(3)]
    return (*found, propagate(lambda by: np.asarray(np.linalg.norm(vectors(by), axis=1)), inputs, least=0.0).U)


def section_exhibits(
    nominal: NominalSection, outline: Outline, vectors: Callable[[Departures], Floats], inputs: Sequence[Input]
) -> Exhibits:
    """Offset of nominal and piece by part axes, and the section in the view."""
    offset = vectors({entry.name: np.zeros((1, len(entry.covariance))) for entry in inputs})[0]
    named = ("nominal", "measured", "measured less nominal")
    rows = vector_rows(named, np.stack([nominal.offset_mm, offset, offset - nominal.offset_mm]))
    U: tuple[str | float, ...] = ("U of measured", *parts_uncertainty(vectors, inputs))
    axis = outline.centroid_mm + offset
    direction = nominal.plane.normal if nominal.feature.direction is None else nominal.feature.direction
    reach = MARK_HALF_MM * np.outer([-1.0, 1.0], direction)
    return Exhibits(
        tables=(Table("Axis from the section's centroid", VECTOR_COLUMNS, (*rows, U)),),
        marks=(
            Mark("section of the piece", closed(outline.points_mm)),
            Mark("section of nominal", closed(nominal.outline.points_mm)),
            Mark("centroid of the section", outline.centroid_mm[None]),
            Mark(f"axis of {nominal.feature.id}", axis + reach),
            Mark("offset", np.stack([outline.centroid_mm, axis])),
        ),
    )


def depth_exhibits(nominal: list[Moved], actual: list[Moved]) -> Exhibits:
    """Where the axis meets face and floor; nominal and actual : floor, face, axis, one case each."""
    off = Column("from nominal", "mm", is_departure=True)
    columns = (Column("axis meets"), *(Column(axis, "mm") for axis in AXES), off)
    rows: list[tuple[Cell, ...]] = []
    places = []
    for number, name in ((1, "face"), (0, "floor")):
        own, drawn = (_met(elements[number], elements[2]) for elements in (actual, nominal))
        rows.append((name, *(float(part) for part in own), float(np.linalg.norm(own - drawn))))
        places.append(own)
    return Exhibits(
        tables=(Table("Where the axis meets face and floor", columns, tuple(rows)),),
        marks=(Mark("depth along the axis", np.stack(places)),),
    )


def cavity_exhibits(nominal: NominalCavity, piece: Filled, rims_mm: Sequence[Floats]) -> Exhibits:
    """Volume, depth and opening of nominal and piece, and the rims that were closed flat in the view."""
    columns = (Column(""), Column("volume", "cc"), Column("largest depth", "mm"), Column("opening", "mm2"))
    drawn, actual = (
        np.array([(one.volume_mm3 + nominal.between_mm3) / CC, one.depth_mm, one.brim_area_mm2])
        for one in (nominal.filled, piece)
    )
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (name, *(float(part) for part in figures))
        for name, figures in (("nominal", drawn), ("measured", actual), ("measured less nominal", actual - drawn))
    )
    return Exhibits(
        tables=(Table("The cavity filled to the plane", columns, rows),),
        marks=tuple(Mark("opening closed flat", rim) for rim in rims_mm),
    )


def sibling_exhibits(
    features: tuple[Feature, Feature], offsets_mm: Floats, U: tuple[float, float], place: str
) -> Exhibits:
    """Offsets (2, 3) of both from their own places by part axes, the sibling's mirrored, and their difference.

    place : in words, what each is off
    """
    names = (features[0].id, f"{features[1].id}, mirrored", "difference")
    vectors = vector_rows(names, np.concatenate([offsets_mm, offsets_mm[:1] - offsets_mm[1:]]))
    columns = (*VECTOR_COLUMNS, Column("U of length", "mm", is_departure=True))
    rows = tuple((*vector, sure) for vector, sure in zip(vectors, (*U, None), strict=True))
    lines = [feature.ends_mm if feature.ends_mm is not None else feature.point_mm[None] for feature in features]
    return Exhibits(
        tables=(Table(f"How far each is off {place}", columns, rows),),
        marks=tuple(Mark(f"nominal place of {one.id}", line) for one, line in zip(features, lines, strict=True)),
    )


def closed(points_mm: Floats) -> Floats:
    """A line (n + 1, 3) that ends where it begins."""
    return np.concatenate([points_mm, points_mm[:1]])


def _met(plane: Moved, axis: Moved) -> Floats:
    """Where an axis meets a plane (3,)."""
    normal, direction = plane.direction, axis.direction
    assert normal is not None  # noqa: S101 pocket_features refuses others
    assert direction is not None  # noqa: S101
    along = ((plane.point_mm - axis.point_mm) * normal).sum(axis=1) / (direction * normal).sum(axis=1)
    met: Floats = (axis.point_mm + along[:, None] * direction)[0]
    return met

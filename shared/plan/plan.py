"""A whole plan, and that the names in it agree."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated, Literal

from pydantic import Field, model_validator

from shared.plan.base import Strict, in_mm
from shared.plan.characteristics import AnyCharacteristic, General
from shared.plan.frames import AlignmentChoice, Datum, Frame
from shared.plan.piece import MapSettings, Piece, Scanner, Substitution, Temperature, Uncertainty
from shared.plan.places import RegionChoice
from shared.units import LengthUnit

PLAN_VERSION = "1"


class Plan(Strict):
    """A whole plan.

    general_tolerance: for sizes, distances and angles that state no limits of their own
    """

    firstpour_plan: Literal["1"]
    title: Annotated[str, Field(max_length=200)] | None = None
    unit: LengthUnit = LengthUnit.MILLIMETRE
    piece: Piece = Piece()
    scanner: Scanner | None = None
    temperature: Temperature | None = None
    uncertainty: Uncertainty = Uncertainty()
    maps: MapSettings = MapSettings()
    general_tolerance: General | None = None
    alignment: AlignmentChoice = AlignmentChoice()
    datums: tuple[Datum, ...] = ()
    frames: tuple[Frame, ...] = ()
    regions: tuple[RegionChoice, ...] = ()
    characteristics: tuple[AnyCharacteristic, ...] = ()
    substitution: tuple[Substitution, ...] = ()

    @model_validator(mode="after")
    def _names_agree(self) -> Plan:
        known = {
            "region": [region.name for region in self.regions],
            "characteristic": [line.id for line in self.characteristics],
            "datum": [datum.letter for datum in self.datums],
            "frame": [frame.name for frame in self.frames],
        }
        for what, names in known.items():
            doubled = sorted({name for name in names if names.count(name) > 1})
            if doubled:
                raise ValueError(f"{what} given twice: {', '.join(doubled)}")
        for where, what, name in self._references():
            if name not in known[what]:
                listed = ", ".join(known[what]) or "none is given"
                raise ValueError(f"{where}: {what} '{name}' is not among the plan's {what}s ({listed})")
        return self

    def _references(self) -> Iterator[tuple[str, str, str]]:
        """(where, what is named, its name) for everything one part of the plan names in another."""
        for line in self.characteristics:
            for key, what in (("region", "region"), ("toward", "region"), ("frame", "frame"), ("datum", "datum")):
                yield from _named(f"characteristic {line.id}", what, [getattr(line, key, None)])
        for frame in self.frames:
            yield from _named(f"frame {frame.name}", "datum", frame.datums)
        yield from _named("alignment", "region", self.alignment.regions or ())
        yield from _named("alignment", "frame", [self.alignment.frame])
        yield from _named("substitution", "characteristic", [entry.id for entry in self.substitution])

    def to_mm(self) -> Plan:
        """The same plan with every length in millimetres."""
        if self.unit is LengthUnit.MILLIMETRE:
            return self
        plain = {line.id for line in self.characteristics if line.kind in ("shrink", "angle")}
        scaled = in_mm(self, self.unit.mm)
        kept = tuple(
            entry if entry.id in plain else in_mm(entry, self.unit.mm) for entry in self.substitution
        )  # percents and degrees are no lengths
        return scaled.model_copy(update={"unit": LengthUnit.MILLIMETRE, "substitution": kept})


def _named(where: str, what: str, names: Iterable[str | None]) -> Iterator[tuple[str, str, str]]:
    yield from ((where, what, name) for name in names if name is not None)

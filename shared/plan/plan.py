"""A whole plan, and that the names in it agree."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from shared.plan.base import Strict, in_mm
from shared.plan.characteristics import AnyCharacteristic
from shared.plan.frames import AlignmentChoice, Datum, Frame
from shared.plan.lines import General
from shared.plan.mock_up import WHOLE_PIECE, Clearance, Placed
from shared.plan.offsets import SiblingOffset
from shared.plan.piece import MapSettings, Piece, Scanner, Substitution, Temperature, Uncertainty
from shared.plan.places import RegionChoice
from shared.plan.ports import PortSibling
from shared.plan.what_if import Scenario, Solve, references
from shared.units import LengthUnit

PLAN_VERSION = "1"
NAMES_DISAGREE = "names_disagree"  # type of the error whose context lists (path, fault)
NO_LENGTHS = frozenset(
    {"shrink", "angle", "fastener_sites", "cavity_volume", "port_area", "port_volume"}
)  # kinds whose value is no length
Path = tuple[str | int, ...]
Fault = tuple[Path, str]


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
    mock_up: tuple[Placed, ...] = ()
    characteristics: tuple[AnyCharacteristic, ...] = ()
    substitution: tuple[Substitution, ...] = ()
    what_if: tuple[Scenario, ...] = ()
    solve: tuple[Solve, ...] = ()

    @model_validator(mode="after")
    def _names_agree(self) -> Plan:
        faults = [*self._doubled(), *self._unknown()]
        if faults:
            text = "; ".join(fault for _, fault in faults)
            raise PydanticCustomError(NAMES_DISAGREE, "{text}", {"text": text, "faults": faults})
        return self

    def _doubled(self) -> Iterator[Fault]:
        """Names given twice, and letters twice in one frame."""
        lists: dict[str, tuple[str, tuple[Strict, ...]]] = {
            "regions": ("name", self.regions),
            "characteristics": ("id", self.characteristics),
            "datums": ("letter", self.datums),
            "frames": ("name", self.frames),
            "mock_up": ("name", self.mock_up),
            "substitution": ("id", self.substitution),
            "what_if": ("name", self.what_if),
            "solve": ("name", self.solve),
        }
        for key, (field, entries) in lists.items():
            names = [getattr(entry, field) for entry in entries]
            for index, name in enumerate(names):
                if name in names[:index]:
                    yield (key, index, field), f"{name} is given twice among the {key}"
        for index, frame in enumerate(self.frames):
            if len(set(frame.datums)) < len(frame.datums):
                yield ("frames", index, "datums"), f"frame {frame.name} names a datum twice"

    def _unknown(self) -> Iterator[Fault]:
        known = {
            "region": [region.name for region in self.regions],
            "characteristic": [line.id for line in self.characteristics],
            "datum": [datum.letter for datum in self.datums],
            "frame": [frame.name for frame in self.frames],
            "placed part": [placed.name for placed in self.mock_up],
            "placed part or region": [*(part.name for part in self.mock_up), *(one.name for one in self.regions)],
        }
        for path, where, what, name in self._references():
            if name is not None and name not in known[what]:
                listed = ", ".join(known[what]) or "none is given"
                yield path, f"{where}: {what} '{name}' is not among the plan's {what}s ({listed})"

    def _references(self) -> Iterator[tuple[Path, str, str, str | None]]:
        """(path, where, what is named, its name) for everything one part of the plan names in another."""
        for index, line in enumerate(self.characteristics):
            yield from _named_by(index, line)
        for index, frame in enumerate(self.frames):
            for place, letter in enumerate(frame.datums):
                yield ("frames", index, "datums", place), f"frame {frame.name}", "datum", letter
        for index, name in enumerate(self.alignment.regions or ()):
            yield ("alignment", "regions", index), "alignment", "region", name
        yield ("alignment", "frame"), "alignment", "frame", self.alignment.frame
        for index, entry in enumerate(self.substitution):
            yield ("substitution", index, "id"), "substitution", "characteristic", entry.id
        yield from references(self.what_if, self.solve)

    def to_mm(self) -> Plan:
        """The same plan with every length in millimetres."""
        if self.unit is LengthUnit.MILLIMETRE:
            return self
        plain = {line.id for line in self.characteristics if line.kind in NO_LENGTHS}
        scaled = in_mm(self, self.unit.mm)
        kept = tuple(
            entry if entry.id in plain else in_mm(entry, self.unit.mm) for entry in self.substitution
        )  # percents, degrees and cubic centimetres are no lengths
        return scaled.model_copy(update={"unit": LengthUnit.MILLIMETRE, "substitution": kept})


def _named_by(index: int, line: AnyCharacteristic) -> Iterator[tuple[Path, str, str, str | None]]:
    """What a characteristic names, as ``Plan._references`` tells it."""
    at: Path = ("characteristics", index)
    where = f"characteristic {line.id}"
    for key, what in (("region", "region"), ("toward", "region"), ("frame", "frame"), ("datum", "datum")):
        yield (*at, key), where, what, getattr(line, key, None)
    for place, name in enumerate(getattr(line, "regions", None) or ()):
        yield (*at, "regions", place), where, "region", name
    for place, wall in enumerate(getattr(line, "walls", ())):
        yield (*at, "walls", place, "toward"), where, "region", wall.toward
    if isinstance(line, PortSibling):
        yield (*at, "sibling"), where, "region", line.sibling
    if isinstance(line, SiblingOffset):
        for key, entry in (("section", line.section), ("sibling_section", line.sibling_section)):
            yield (*at, key, "region"), where, "region", None if entry is None else entry.region
    if isinstance(line, Clearance):
        yield from _placed_parts(index, line)


def _placed_parts(index: int, line: Clearance) -> Iterator[tuple[Path, str, str, str | None]]:
    """What a clearance names, as ``Plan._references`` tells it."""
    where = f"characteristic {line.id}"
    yield ("characteristics", index, "body"), where, "placed part", line.body
    for place, name in enumerate(line.moving):
        yield ("characteristics", index, "moving", place), where, "placed part", name
    if line.against != WHOLE_PIECE:
        yield ("characteristics", index, "against"), where, "placed part or region", line.against

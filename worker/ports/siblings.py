"""Two ports that the CAD makes alike, as moved or mirrored copies: which of them sits where it should."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.measuring.seen import NotMeasured
from worker.ports.piece import PortPiece
from worker.ports.sections import Port
from worker.records import Bools, Floats, Ints

LENGTH_SHARE = 0.05  # centrelines whose lengths differ by more are not siblings; common practice, no source
SHAPE_SHARE = 0.05  # of the length: lines farther apart than this, one laid on the other, are not siblings either
COMPARED_PLACES = 41  # of two lines laid on each other


@dataclass(frozen=True, eq=False)
class Match:
    """How the sibling's nominal is laid on the port's own.

    turned : (3, 3) the mirror, or nothing;  translation_mm : (3,) after it
    is_reversed : its wider end lies on the other's narrower
    along_mm : (k,) of the port's sections;  nearest : (k,) the sibling's section at the same share of its length
    misfit_mm : root mean square of what is left between the lines
    """

    turned: Floats
    translation_mm: Floats
    is_reversed: bool
    along_mm: Floats
    nearest: Ints
    misfit_mm: float


def mirror_of(axis: str | None) -> Floats:
    """(3, 3) reflection in the plane square to x, y or z; nothing without one."""
    turned = np.eye(3)
    if axis is not None:
        turned["xyz".index(axis), "xyz".index(axis)] = -1.0
    return turned


def match_siblings(own: Port, other: Port, *, axis: str | None, point_mm: Floats | None) -> Match | NotMeasured:
    """Lay the sibling on the port: mirrored in the plane through ``point_mm`` (3,), or moved as found without a mirror.

    Ports that are no siblings in the CAD are refused with the reason.
    """
    lengths = own.line.length_mm, other.line.length_mm
    if abs(lengths[0] - lengths[1]) > LENGTH_SHARE * max(lengths):
        return NotMeasured(
            f"the two are not siblings in the CAD: their centrelines are {lengths[0]:.1f} and {lengths[1]:.1f} mm long"
        )
    turned = mirror_of(axis)
    share = np.linspace(0.0, 1.0, COMPARED_PLACES)
    here = np.array([own.line.at(float(part * lengths[0]))[0] for part in share])
    there = np.array([other.line.at(float(part * lengths[1]))[0] for part in share]) @ turned.T
    is_reversed = bool((here[-1] - here[0]) @ (there[-1] - there[0]) < 0)
    gap = here - (there[::-1] if is_reversed else there)
    given = None if point_mm is None or axis is None else point_mm - turned @ point_mm
    translation = gap.mean(axis=0) if given is None else given
    misfit = float(np.sqrt(((gap - translation) ** 2).sum(axis=1).mean()))
    if misfit > SHAPE_SHARE * lengths[0]:
        laid = "moved onto it" if axis is None else f"mirrored in {axis}"
        return NotMeasured(
            f"the two are not siblings in the CAD: {laid}, the second lies {misfit:.1f} mm off the first"
        )
    along = np.array([section.along_mm for section in own.sections])
    wanted = along / lengths[0] * lengths[1]
    wanted = lengths[1] - wanted if is_reversed else wanted
    theirs = np.array([section.along_mm for section in other.sections])
    nearest = np.abs(theirs[None] - wanted[:, None]).argmin(axis=1)
    return Match(turned, translation, is_reversed, along, nearest, misfit)


@dataclass(frozen=True, eq=False)
class SiblingOffsets:
    """Offsets of both ports' centroids from their own nominal, (k, 3), in the first port's frame.

    is_measured : (k,) where both were;  worst : the section where they differ most
    covariance_mm2 : (3, 3) of the difference there, from scan noise and what was not seen
    """

    own_mm: Floats
    other_mm: Floats
    is_measured: Bools
    worst: int
    covariance_mm2: Floats

    @property
    def difference_mm(self) -> Floats:
        """(k, 3) the first less the second."""
        return self.own_mm - self.other_mm


def sibling_offsets(match: Match, own: PortPiece, other: PortPiece) -> SiblingOffsets | NotMeasured:
    """Section by section, what one port's centreline is off more than its sibling's."""
    is_measured = own.is_measured & other.is_measured[match.nearest]
    if not is_measured.any():
        return NotMeasured("the scan shows no section of both ports")
    here, there = own.offset_mm, other.offset_mm[match.nearest] @ match.turned.T
    length = np.linalg.norm(here - there, axis=1)
    worst = int(np.argmax(np.where(is_measured, length, -np.inf)))
    theirs = match.turned @ other.offset_covariance_mm2[match.nearest[worst]] @ match.turned.T
    return SiblingOffsets(here, there, is_measured, worst, own.offset_covariance_mm2[worst] + theirs)

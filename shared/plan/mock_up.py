"""The mock-up: bought-in parts placed on the piece, and the room they need as they move."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, model_validator

from shared.plan.base import Name, Strict, Vector
from shared.plan.lines import Characteristic
from shared.plan.places import FeaturePick

WHOLE_PIECE = "piece"  # what a clearance says for all of the piece
NO_DIRECTION = (0.0, 0.0, 0.0)


class Transform(Strict):
    """Put by figures: turned about the origin of the body's own file, then shifted."""

    translation: Vector = (0.0, 0.0, 0.0)
    rotation_axis: Vector | None = None
    rotation_degrees: float | None = None

    @model_validator(mode="after")
    def _whole_turn(self) -> Transform:
        if (self.rotation_axis is None) != (self.rotation_degrees is None):
            raise ValueError("a turn needs both rotation_axis and rotation_degrees")
        if self.rotation_axis == NO_DIRECTION:
            raise ValueError("rotation_axis has no direction")
        return self


class PartElementKind(StrEnum):
    """A flat face or an axis of a bought-in part."""

    PLANE = "plane"
    AXIS = "axis"


class PartElement(Strict):
    """A flat face or an axis of a bought-in part, in the axes of its own file.

    direction: of a plane out of the part's material
    """

    kind: PartElementKind
    point: Vector
    direction: Vector

    @model_validator(mode="after")
    def _points_somewhere(self) -> PartElement:
        if self.direction == NO_DIRECTION:
            raise ValueError("direction has no length")
        return self


class Mate(Strict):
    """A face of the part on a face of the piece, or an axis of the part on an axis of the piece.

    Planes lie face to face, ``offset`` apart (a gasket, a shim); axes are in line.
    """

    part: PartElement
    piece: FeaturePick
    offset: float = 0.0

    @model_validator(mode="after")
    def _offset_of_planes(self) -> Mate:
        if self.part.kind is PartElementKind.AXIS and self.offset != 0.0:
            raise ValueError("an offset belongs to planes; where along an axis a part sits, a plane says")
        return self


class HolePair(Strict):
    """The centre of a hole of the part, and the hole of the piece it belongs over."""

    part_point: Vector
    feature: FeaturePick


class Place(Strict):
    """Where a part sits, said in exactly one way.

    transform: by figures, in part axes of the piece;  mates: in order, each taking what the ones before left
    open;  holes: the part's hole centres over the piece's hole axes as well as they fit, after ``seat``
    """

    transform: Transform | None = None
    mates: Annotated[tuple[Mate, ...], Field(min_length=1, max_length=6)] | None = None
    holes: Annotated[tuple[HolePair, ...], Field(min_length=2, max_length=40)] | None = None
    seat: Mate | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Place:
        given = [key for key in ("transform", "mates", "holes") if getattr(self, key) is not None]
        if len(given) != 1:
            raise ValueError(f"give exactly one of transform, mates, holes (given: {given or 'none'})")
        if self.seat is not None and (self.holes is None or self.seat.part.kind is PartElementKind.AXIS):
            raise ValueError("seat is a plane, and belongs to holes only")
        if self.holes is not None and self.seat is None and len(self.holes) < 3:
            raise ValueError("two holes need a seat as well; without a seat give three or more")
        return self


class Placed(Strict):
    """A bought-in part, placed.

    body: its name in the revision;  expanded_uncertainty: how far its own surfaces may lie from its model
    """

    name: Name
    body: Name
    place: Place
    expanded_uncertainty: Annotated[float, Field(ge=0)] | None = None

    @model_validator(mode="after")
    def _not_the_piece(self) -> Placed:
        if self.name == WHOLE_PIECE:
            raise ValueError(f"'{WHOLE_PIECE}' is the word for all of the piece; call the part something else")
        return self


class Turn(Strict):
    """A turn about an axis, given in part axes of the piece where the drawing puts the part."""

    point: Vector
    axis: Vector
    from_degrees: float = 0.0
    to_degrees: float

    @model_validator(mode="after")
    def _turns(self) -> Turn:
        if self.axis == NO_DIRECTION:
            raise ValueError("axis has no direction")
        if self.from_degrees == self.to_degrees:
            raise ValueError("from_degrees and to_degrees are the same")
        return self


class Slide(Strict):
    """A straight motion along a direction, from one length of travel to another."""

    direction: Vector
    travel: tuple[float, float]

    @model_validator(mode="after")
    def _slides(self) -> Slide:
        if self.direction == NO_DIRECTION:
            raise ValueError("direction has no length")
        if self.travel[0] == self.travel[1]:
            raise ValueError("travel begins where it ends")
        return self


class Motion(Strict):
    """How a part moves in service: it turns or it slides."""

    rotation: Turn | None = None
    slide: Slide | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Motion:
        if (self.rotation is None) == (self.slide is None):
            raise ValueError("give exactly one of rotation and slide")
        return self


class Clearance(Characteristic):
    """Least clearance of a placed part, standing or moving, from the piece, a region of it, or another placed part.

    moving: further placed parts that move with it;  below nothing it is how deep they interfere
    """

    kind: Literal["clearance"]
    body: Name
    against: Name = WHOLE_PIECE
    least: Annotated[float, Field(ge=0)]
    motion: Motion | None = None
    moving: tuple[Name, ...] = ()

    @model_validator(mode="after")
    def _two_things(self) -> Clearance:
        if self.against in (self.body, *self.moving):
            raise ValueError("a part has no clearance from itself, nor from what moves with it")
        if len({self.body, *self.moving}) <= len(self.moving):
            raise ValueError("a part moves once: name each of moving once, and body not again")
        return self

"""Walls between two regions, and how far a port may be cut back before one of them is too thin."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from shared.plan.base import Name, Strict
from shared.plan.lines import Characteristic


class WallBetween(Characteristic):
    """Least distance of the piece's material between the surfaces of two regions, in any direction.

    ``wall_thickness`` measures along the inward normal of each place; where the two skins are not parallel,
    or pass each other like two crossing bores, the nearest places lie in another direction.
    """

    kind: Literal["wall_between"]
    region: Name
    toward: Name
    least: Annotated[float, Field(gt=0)]

    @model_validator(mode="after")
    def _two_regions(self) -> WallBetween:
        if self.region == self.toward:
            raise ValueError("region and toward must be two regions")
        return self


class WallToKeep(Strict):
    """A wall that must stay: from the region that is cut back to another, and how thick at least."""

    toward: Name
    least: Annotated[float, Field(gt=0)]


class RoomToRemove(Characteristic):
    """How far every place of a region, such as a port, may be cut back before a wall behind it is too thin.

    required: the least room wanted everywhere in the region
    """

    kind: Literal["room_to_remove"]
    region: Name
    walls: Annotated[tuple[WallToKeep, ...], Field(min_length=1)]
    required: Annotated[float, Field(ge=0)] = 0.0

    @model_validator(mode="after")
    def _other_regions(self) -> RoomToRemove:
        names = [wall.toward for wall in self.walls]
        if self.region in names or len(set(names)) < len(names):
            raise ValueError("each wall goes to another region, and to each region only once")
        return self

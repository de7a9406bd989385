"""Ports: least area, volume, and two ports that should be alike."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from shared.plan.base import Name, Strict, Vector
from shared.plan.lines import Characteristic

Length = Annotated[float, Field(gt=0)]
Area = Annotated[float, Field(gt=0)]
Volume = Annotated[float, Field(gt=0)]


class PoppetValve(Strict):
    """The valve at the end of a port, for the area it opens at each lift.

    seat_width: along the seat's face;  seat_angle_degrees: from the plane of the valve's head
    """

    diameter: Length
    stem_diameter: Length
    seat_width: Length
    seat_angle_degrees: Annotated[float, Field(gt=0, lt=90)]
    throat_diameter: Length
    lifts: Annotated[tuple[Length, ...], Field(min_length=1, max_length=40)]

    @model_validator(mode="after")
    def _fits_together(self) -> PoppetValve:
        if not self.stem_diameter < self.throat_diameter < self.diameter:
            raise ValueError("stem_diameter must lie below throat_diameter, and that below diameter")
        if 2 * self.seat_width >= self.diameter:
            raise ValueError("seat_width must lie below half the diameter")
        return self


class FlowBench(Strict):
    """The state a flow estimate is told for.

    discharge_coefficient: of the smaller of valve and port area; no default, because it decides the figure
    """

    pressure_inches_of_water: Annotated[float, Field(gt=0, le=150)] = 28.0
    discharge_coefficient: Annotated[float, Field(gt=0, le=1)]


class PortArea(Characteristic):
    """Least area of the sections of a port, square to its centreline.

    region: the port's inner surface, open at two ends
    least_mm2, most_mm2: limits of that least area, always in square millimetres, whatever the plan's unit
    """

    kind: Literal["port_area"]
    region: Name
    least_mm2: Area | None = None
    most_mm2: Area | None = None
    valve: PoppetValve | None = None
    flow: FlowBench | None = None

    @model_validator(mode="after")
    def _ordered(self) -> PortArea:
        if self.least_mm2 is not None and self.most_mm2 is not None and self.least_mm2 >= self.most_mm2:
            raise ValueError("least_mm2 must lie below most_mm2")
        return self


class PortVolume(Characteristic):
    """Volume of a port between its two open ends; limits always in cubic millimetres."""

    kind: Literal["port_volume"]
    region: Name
    lower_mm3: Volume | None = None
    upper_mm3: Volume | None = None

    @model_validator(mode="after")
    def _ordered(self) -> PortVolume:
        if self.lower_mm3 is not None and self.upper_mm3 is not None and self.lower_mm3 >= self.upper_mm3:
            raise ValueError("lower_mm3 must lie below upper_mm3")
        return self


class PortSibling(Characteristic):
    """How far two ports that the CAD makes alike differ in where they sit.

    Each section's centroid is compared with its own nominal, so mirrored ports can be compared.
    mirror: the sibling is the port's image in a plane square to this axis through ``point``; none: it is moved only
    most: the largest difference of the centroids' offsets allowed
    """

    kind: Literal["port_sibling"]
    region: Name
    sibling: Name
    mirror: Literal["x", "y", "z", "none"] = "none"
    point: Vector | None = None
    most: Annotated[float, Field(gt=0)]

    @model_validator(mode="after")
    def _complete(self) -> PortSibling:
        if self.region == self.sibling:
            raise ValueError("region and sibling must be two regions")
        if (self.mirror == "none") != (self.point is None):
            raise ValueError("a mirror needs a point of its plane; without a mirror there is none")
        return self

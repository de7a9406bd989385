"""Dimensions of the demonstration head. Everything here is invented; no real engine was measured or copied.

Frame ``nominal``: origin in the middle of the deck face; x along the crankshaft, y towards the
intake side, z up from the deck.  Lengths are mm.

A head for two cylinders of a small gas-fired generator set: two valves a cylinder, upright and in
line along x; intake ports leave on +y, exhaust ports and push rods are on -y; a tilted spark plug
a cylinder; eight bolts; one water jacket fed through the deck, with its outlet at the +x end.
"""

from __future__ import annotations

from dataclasses import dataclass

Point2 = tuple[float, float]
Point3 = tuple[float, float, float]

BODY_HALF_LENGTH = 90.0
BODY_HALF_WIDTH = 51.0
BODY_CORNER_RADIUS = 8.0
RAIL_TOP_Z = 75.0  # sealing rail of the valve cover
RAIL_WIDTH = 4.0
WELL_FLOOR_Z = 66.0  # floor the valve gear stands on
FLANGE_FACE_Y = 55.0  # both side flanges
OUTLET_FACE_X = 93.0

CYLINDER_X: dict[int, float] = {1: -40.0, 2: 40.0}
CHAMBER_RADIUS = 29.0  # at the deck
CHAMBER_DEPTH = 10.0

SEAT_TOP_Z = 11.0  # valve seat counterbores end here and the cast ports begin
GUIDE_RADIUS = 3.5
SPRING_POCKET_RADIUS = 13.0
SPRING_POCKET_FLOOR_Z = 63.0

BOLT_RADIUS = 4.5
BOLT_XY: dict[int, Point2] = {
    1: (-77.0, 39.0),
    2: (-42.0, 39.0),
    3: (0.0, 39.0),
    4: (42.0, 39.0),
    5: (77.0, 39.0),
    6: (-77.0, -39.0),
    7: (0.0, -39.0),
    8: (77.0, -39.0),
}

PUSH_ROD_RADIUS = 4.5
PUSH_ROD_XY: tuple[Point2, ...] = ((-38.0, -41.0), (-22.0, -41.0), (22.0, -41.0), (38.0, -41.0))

COOLANT_RADIUS = 3.5
COOLANT_XY: tuple[Point2, ...] = (
    (-62.0, 34.0),
    (-17.0, 32.0),
    (17.0, 32.0),
    (62.0, 34.0),
    (-66.0, -28.0),
    (-11.0, -30.0),
    (11.0, -30.0),
    (66.0, -28.0),
)

STAND_TOP_Z = 72.0
STAND_HALF_SIZE: Point2 = (21.0, 8.0)
STAND_XY: tuple[Point2, ...] = ((-37.0, -23.0), (37.0, -23.0))
STAND_HOLE_RADIUS = 3.4
STAND_HOLE_OFFSET_X = 11.0
STAND_HOLE_BOTTOM_Z = 62.0

PLUG_RADIUS = 4.5
PLUG_SOCKET_RADIUS = 8.5
PLUG_SEAT_LENGTH = 17.0  # from the start point along the axis
PLUG_START: Point3 = (-42.0, 20.0, 5.5)  # cylinder 1; cylinder 2 is its mirror image in x
PLUG_DIRECTION: Point3 = (-0.25, 0.10, 1.0)

STUD_RADIUS = 2.5
STUD_DEPTH = 8.0

# The water jacket: an envelope less what it must keep away from.
JACKET_HALF_LENGTH = 83.5
JACKET_HALF_WIDTH = 43.5
JACKET_FLOOR_Z = 9.0
JACKET_ROOF_Z = 56.5
JACKET_EDGE_RADIUS = 4.0
OUTLET_RADIUS = 11.0
OUTLET_Z = 38.0
PLUG_OPENING_RADIUS = 10.0  # core plug opening at the -x end
PLUG_OPENING_Z = 32.0

PORT_WALL = 4.5  # least wall between any port and the jacket, by design
CHAMBER_WALL = 7.0
BOLT_WALL = 4.5
PUSH_ROD_WALL = 4.0
GUIDE_WALL = 4.5
PLUG_WALL = 4.0
SEAT_WALL = 4.5

CORE_PRINT_LENGTH = 10.0  # how far each core reaches out of the metal, into its seat in the mould


@dataclass(frozen=True)
class Port:
    """One port: a round passage along a curve from the valve seat to the flange.

    The radius grows evenly with the curve's parameter, from ``throat_radius`` to ``exit_radius``.

    side : +1 leaves at +y, -1 at -y
    """

    name: str
    cylinder: int
    valve_x: float
    exit_x: float
    exit_z: float
    side: int
    throat_radius: float
    exit_radius: float
    seat_radius: float
    flange_half_x: float
    stud_offset_z: float

    @property
    def spine(self) -> tuple[Point3, Point3, Point3, Point3]:
        """Poles of the cubic Bezier centre line, valve seat first, flange last."""
        return (
            (self.valve_x, 0.0, SEAT_TOP_Z),
            (self.valve_x, 0.0, SEAT_TOP_Z + 28.0),
            (self.exit_x, self.side * 38.0, self.exit_z),
            (self.exit_x, self.side * FLANGE_FACE_Y, self.exit_z),
        )


def _intake(cylinder: int) -> Port:
    mirror = 1.0 if cylinder == 2 else -1.0
    return Port(
        name=f"intake_{cylinder}",
        cylinder=cylinder,
        valve_x=25.0 * mirror,
        exit_x=21.0 * mirror,
        exit_z=34.0,
        side=1,
        throat_radius=11.0,
        exit_radius=12.0,
        seat_radius=12.5,
        flange_half_x=17.0,
        stud_offset_z=17.5,
    )


def _exhaust(cylinder: int) -> Port:
    mirror = 1.0 if cylinder == 2 else -1.0
    return Port(
        name=f"exhaust_{cylinder}",
        cylinder=cylinder,
        valve_x=55.0 * mirror,
        exit_x=57.5 * mirror,
        exit_z=33.0,
        side=-1,
        throat_radius=9.5,
        exit_radius=10.5,
        seat_radius=11.0,
        flange_half_x=16.0,
        stud_offset_z=16.0,
    )


PORTS: tuple[Port, ...] = (_intake(1), _intake(2), _exhaust(1), _exhaust(2))


def chamber_sphere() -> tuple[float, float]:
    """Radius and z of the centre of the sphere that roofs each combustion chamber."""
    radius = (CHAMBER_RADIUS**2 + CHAMBER_DEPTH**2) / (2.0 * CHAMBER_DEPTH)
    return radius, CHAMBER_DEPTH - radius

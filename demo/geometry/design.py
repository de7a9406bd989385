"""Dimensions of the demonstration head. Everything here is invented; no real engine was measured or copied.

Frame ``nominal``: origin in the middle of the deck face; x along the crankshaft, y towards the
intake side, z up from the deck.  Lengths are mm.

A head for two cylinders of a slow-running gas engine that drives a pump: two valves a cylinder, upright
and in line along x; intake ports leave on +y, exhaust ports and push rods are on -y; a tilted spark plug
a cylinder; eight bolts; one water jacket fed through the deck, with its outlet at the +x end.
"""

from __future__ import annotations

from dataclasses import dataclass

Point2 = tuple[float, float]
Point3 = tuple[float, float, float]

BODY_HALF_LENGTH = 144.0
BODY_HALF_WIDTH = 82.0
BODY_CORNER_RADIUS = 12.0
RAIL_TOP_Z = 120.0  # sealing rail of the valve cover
RAIL_WIDTH = 6.5
WELL_FLOOR_Z = 106.0  # floor the valve gear stands on
FLANGE_FACE_Y = 90.0  # both side flanges
OUTLET_FACE_X = 149.0

CYLINDER_X: dict[int, float] = {1: -64.0, 2: 64.0}
CHAMBER_RADIUS = 46.5  # at the deck
CHAMBER_DEPTH = 16.0

SEAT_TOP_Z = 17.5  # valve seat counterbores end here and the cast ports begin
GUIDE_RADIUS = 5.5
SPRING_POCKET_RADIUS = 21.0
SPRING_POCKET_FLOOR_Z = 101.0

BOLT_RADIUS = 7.0
BOLT_XY: dict[int, Point2] = {
    1: (-123.0, 62.0),
    2: (-67.0, 62.0),
    3: (0.0, 62.0),
    4: (67.0, 62.0),
    5: (123.0, 62.0),
    6: (-123.0, -62.0),
    7: (0.0, -62.0),
    8: (123.0, -62.0),
}

PUSH_ROD_HOLE_RADIUS = 8.73125  # drilled 11/16 in
PUSH_ROD_XY: tuple[Point2, ...] = ((-61.0, -66.0), (-36.0, -66.0), (36.0, -66.0), (61.0, -66.0))
PUSH_ROD_3_ENDS: tuple[Point3, Point3] = ((36.08, -65.6, -19.0), (35.78, -65.22, 138.0))
# ball ends of the rod in hole 3, tappet first: it leans toward its rocker, as the hole does not

COOLANT_RADIUS = 5.5
COOLANT_XY: tuple[Point2, ...] = (
    (-99.0, 54.0),
    (-27.0, 51.0),
    (27.0, 51.0),
    (99.0, 54.0),
    (-106.0, -45.0),
    (-17.5, -48.0),
    (17.5, -48.0),
    (106.0, -45.0),
)

STAND_TOP_Z = 115.0
STAND_HALF_SIZE: Point2 = (33.5, 13.0)
STAND_XY: tuple[Point2, ...] = ((-59.0, -37.0), (59.0, -37.0))
STAND_HOLE_RADIUS = 4.25  # M10, tap drill
STAND_HOLE_OFFSET_X = 17.5
STAND_HOLE_BOTTOM_Z = 99.0

PLUG_RADIUS = 7.0
PLUG_SOCKET_RADIUS = 13.5
PLUG_SEAT_LENGTH = 27.0  # from the start point along the axis
PLUG_START: Point3 = (-67.0, 32.0, 9.0)  # cylinder 1; cylinder 2 is its mirror image in x
PLUG_DIRECTION: Point3 = (-0.25, 0.10, 1.0)

STUD_RADIUS = 3.4  # M8, tap drill
STUD_DEPTH = 12.0
STUD_TO_EDGE = 12.0  # of its flange, along z

# The water jacket: an envelope less what it must keep away from.
JACKET_HALF_LENGTH = 133.5
JACKET_HALF_WIDTH = 69.0
JACKET_FLOOR_Z = 14.5
JACKET_ROOF_Z = 90.5
JACKET_EDGE_RADIUS = 6.5
OUTLET_RADIUS = 17.5
OUTLET_Z = 61.0
PLUG_OPENING_RADIUS = 16.0  # core plug opening at the -x end
PLUG_OPENING_Z = 51.0

PORT_WALL = 6.0  # least wall between any port and the jacket, by design
CHAMBER_WALL = 10.0
BOLT_WALL = 6.5
PUSH_ROD_WALL = 5.5
GUIDE_WALL = 6.5
PLUG_WALL = 6.0
SEAT_WALL = 6.5

CORE_PRINT_LENGTH = 16.0  # how far each core reaches out of the metal, into its seat in the mould


@dataclass(frozen=True)
class Port:
    """One port: a round passage along a curve from the valve seat to the flange.

    The radius grows evenly with the curve's parameter, from ``throat_radius`` to ``exit_radius``.

    side : +1 leaves at +y, -1 at -y
    stud_offset_x, stud_offset_z : of the higher stud from the middle of the exit; the lower lies opposite
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
    stud_offset_x: float
    stud_offset_z: float

    @property
    def spine(self) -> tuple[Point3, Point3, Point3, Point3]:
        """Poles of the cubic Bezier centre line, valve seat first, flange last."""
        return (
            (self.valve_x, 0.0, SEAT_TOP_Z),
            (self.valve_x, 0.0, SEAT_TOP_Z + 45.0),
            (self.exit_x, self.side * 61.0, self.exit_z),
            (self.exit_x, self.side * FLANGE_FACE_Y, self.exit_z),
        )


def _intake(cylinder: int) -> Port:
    mirror = 1.0 if cylinder == 2 else -1.0
    return Port(
        name=f"intake_{cylinder}",
        cylinder=cylinder,
        valve_x=40.0 * mirror,
        exit_x=33.5 * mirror,
        exit_z=54.5,
        side=1,
        throat_radius=17.5,
        exit_radius=19.0,
        seat_radius=20.0,
        flange_half_x=27.0,
        stud_offset_x=14.0 * mirror,
        stud_offset_z=25.0,
    )


def _exhaust(cylinder: int) -> Port:
    mirror = 1.0 if cylinder == 2 else -1.0
    return Port(
        name=f"exhaust_{cylinder}",
        cylinder=cylinder,
        valve_x=88.0 * mirror,
        exit_x=92.0 * mirror,
        exit_z=53.0,
        side=-1,
        throat_radius=15.0,
        exit_radius=17.0,
        seat_radius=17.5,
        flange_half_x=25.5,
        stud_offset_x=0.0,
        stud_offset_z=25.5,
    )


PORTS: tuple[Port, ...] = (_intake(1), _intake(2), _exhaust(1), _exhaust(2))


def chamber_sphere() -> tuple[float, float]:
    """Radius and z of the centre of the sphere that roofs each combustion chamber."""
    radius = (CHAMBER_RADIUS**2 + CHAMBER_DEPTH**2) / (2.0 * CHAMBER_DEPTH)
    return radius, CHAMBER_DEPTH - radius

"""Build the demonstration head, as designed or with planted faults, as one solid."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.GeomAbs import GeomAbs_Plane

from demo.geometry import design as d
from demo.geometry.design import Point2, Point3, Port
from demo.geometry.solids import Shape, box, cut, cut_named, cylinder, faces_of, fused, moved, pipe, rounded, sphere

UP: Point3 = (0.0, 0.0, 1.0)
NO_SHIFT: Point3 = (0.0, 0.0, 0.0)
GUIDE_BOSS_Z = 32.0  # inside the port, as the next
GUIDE_START_Z = 48.0
OUTLET_FLANGE_WIDTH = 11.5
BELOW = 5.0  # how far a tool reaches past the face it opens, so that no two faces coincide


@dataclass(frozen=True, kw_only=True)
class Faults:
    """What is planted in a piece before it is scaled.

    core_shift_mm : displacement of cores by name ("water_jacket", "intake_1", ...)
    bolt_shift_mm : displacement in x, y of bolt holes by number, 1 to 8
    """

    core_shift_mm: Mapping[str, Point3] = field(default_factory=dict)
    bolt_shift_mm: Mapping[int, Point2] = field(default_factory=dict)


@dataclass(frozen=True)
class Head:
    """The solid, its cores where they stood when it was poured, and the name of every face."""

    solid: Shape
    cores: dict[str, Shape]
    face_names: list[tuple[Shape, str]]


def build_head(faults: Faults | None = None, cores: Mapping[str, Shape] | None = None) -> Head:
    """The head as one solid; cores and bolt holes displaced as ``faults`` say.

    cores : the cores as designed, from ``build_cores``, where the caller has them already

    Raises
    ------
    ValueError
        If a fault names an unknown core or bolt, or is so large that the head falls apart.

    """
    faults = faults or Faults()
    placed = displaced(cores or build_cores(), faults.core_shift_mm)
    unknown = set(faults.bolt_shift_mm) - set(d.BOLT_XY)
    if unknown:
        raise ValueError(f"no such bolt hole: {sorted(unknown)}")
    tools = {**placed, **chamber_tools(), **bolt_tools(faults.bolt_shift_mm), **drilled_tools()}
    blank = build_blank()
    solid, cut_faces = cut_named(blank, tools)
    named = {hash(face): name for face, name in cut_faces}
    face_names = [(face, named.get(hash(face)) or _outside_name(face)) for face in faces_of(solid)]
    return Head(solid, placed, face_names)


def build_cores() -> dict[str, Shape]:
    """The five cores by name, each with the prints that seat it in the mould."""
    cores = {port.name: port_core(port) for port in d.PORTS}
    cores["water_jacket"] = jacket_core()
    return cores


def displaced(cores: Mapping[str, Shape], shifts_mm: Mapping[str, Point3]) -> dict[str, Shape]:
    """The cores with those named moved."""
    unknown = set(shifts_mm) - set(cores)
    if unknown:
        raise ValueError(f"no such core: {sorted(unknown)}")
    return {name: moved(core, shifts_mm[name]) if name in shifts_mm else core for name, core in cores.items()}


def port_core(port: Port) -> Shape:
    """Passage of one port, with a print at the flange and one in the chamber."""
    passage = pipe(port.spine, port.throat_radius, port.exit_radius)
    flange_print = cylinder(
        (port.exit_x, port.side * d.FLANGE_FACE_Y, port.exit_z),
        (0.0, float(port.side), 0.0),
        port.exit_radius,
        d.CORE_PRINT_LENGTH,
    )
    chamber_print = cylinder((port.valve_x, 0.0, d.SEAT_TOP_Z - BELOW), UP, port.throat_radius, BELOW)
    return fused(passage, flange_print, chamber_print)


def jacket_core() -> Shape:
    """The water jacket: an envelope less its keep-outs, with a stub for every opening."""
    half_x, half_y = d.JACKET_HALF_LENGTH, d.JACKET_HALF_WIDTH
    envelope = box((-half_x, -half_y, d.JACKET_FLOOR_Z), (half_x, half_y, d.JACKET_ROOF_Z))
    hollow = cut(rounded(envelope, d.JACKET_EDGE_RADIUS, upright_only=False), *_jacket_keep_outs())
    stub_bottom = -d.CORE_PRINT_LENGTH
    stub_length = d.JACKET_FLOOR_Z + BELOW - stub_bottom
    stubs = [cylinder((x, y, stub_bottom), UP, d.COOLANT_RADIUS, stub_length) for x, y in d.COOLANT_XY]
    reach = d.OUTLET_FACE_X + d.CORE_PRINT_LENGTH
    outlet = cylinder((reach, 0.0, d.OUTLET_Z), (-1.0, 0.0, 0.0), d.OUTLET_RADIUS, reach - half_x + BELOW)
    reach = d.BODY_HALF_LENGTH + d.CORE_PRINT_LENGTH
    opening = cylinder((-reach, 0.0, d.PLUG_OPENING_Z), (1.0, 0.0, 0.0), d.PLUG_OPENING_RADIUS, reach - half_x + BELOW)
    return fused(hollow, outlet, opening, *stubs)


def _jacket_keep_outs() -> list[Shape]:
    bodies = [pipe(p.spine, p.throat_radius + d.PORT_WALL, p.exit_radius + d.PORT_WALL) for p in d.PORTS]
    seat_top = d.SEAT_TOP_Z + d.SEAT_WALL
    for port in d.PORTS:
        bodies.append(cylinder((port.valve_x, 0.0, 0.0), UP, port.seat_radius + d.SEAT_WALL, seat_top))
        boss_start = (port.valve_x, 0.0, GUIDE_BOSS_Z)
        bodies.append(cylinder(boss_start, UP, d.GUIDE_RADIUS + d.GUIDE_WALL, d.RAIL_TOP_Z - GUIDE_BOSS_Z))
    radius, centre_z = d.chamber_sphere()
    bodies += [sphere((x, 0.0, centre_z), radius + d.CHAMBER_WALL) for x in d.CYLINDER_X.values()]
    for x, y in d.BOLT_XY.values():
        bodies += _column_to_wall(x, y, d.BOLT_RADIUS + d.BOLT_WALL)
    for x, y in d.PUSH_ROD_XY:
        bodies += _column_to_wall(x, y, d.PUSH_ROD_HOLE_RADIUS + d.PUSH_ROD_WALL)
    bodies += [_plug_cylinder(mirror, d.PLUG_SOCKET_RADIUS + d.PLUG_WALL, 0.0, d.RAIL_TOP_Z) for mirror in (1.0, -1.0)]
    return bodies


def _column_to_wall(x: float, y: float, radius: float) -> list[Shape]:
    """A boss that runs into the side wall, and into the end wall at a corner: no sliver of core behind it."""
    bodies = [cylinder((x, y, 0.0), UP, radius, d.RAIL_TOP_Z)]
    low_y, high_y = sorted((y, d.BODY_HALF_WIDTH if y > 0 else -d.BODY_HALF_WIDTH))
    bodies.append(box((x - radius, low_y, 0.0), (x + radius, high_y, d.RAIL_TOP_Z)))
    if abs(x) > d.JACKET_HALF_LENGTH - 2.0 * radius:
        low_x, high_x = sorted((x, d.BODY_HALF_LENGTH if x > 0 else -d.BODY_HALF_LENGTH))
        inner_y = y - radius if y > 0 else y + radius
        low_y, high_y = sorted((inner_y, d.BODY_HALF_WIDTH if y > 0 else -d.BODY_HALF_WIDTH))
        bodies.append(box((low_x, low_y, 0.0), (high_x, high_y, d.RAIL_TOP_Z)))
    return bodies


def _along_plug(mirror: float, distance: float) -> Point3:
    """Point on the axis of one spark plug, ``distance`` from its start; ``mirror`` -1 for cylinder 2."""
    step = distance / math.hypot(*d.PLUG_DIRECTION)
    x, y, z = (start + step * along for start, along in zip(d.PLUG_START, d.PLUG_DIRECTION, strict=True))
    return (x * mirror, y, z)


def _plug_cylinder(mirror: float, radius: float, start: float, length: float) -> Shape:
    dx, dy, dz = d.PLUG_DIRECTION
    return cylinder(_along_plug(mirror, start), (dx * mirror, dy, dz), radius, length)


def build_blank() -> Shape:
    """The outside before anything is cut: body, side flanges, outlet flange, well and rocker stands."""
    body = box((-d.BODY_HALF_LENGTH, -d.BODY_HALF_WIDTH, 0.0), (d.BODY_HALF_LENGTH, d.BODY_HALF_WIDTH, d.RAIL_TOP_Z))
    flanges = [_side_flange(port) for port in d.PORTS]
    flanges.append(_outlet_flange())
    outside = fused(rounded(body, d.BODY_CORNER_RADIUS, upright_only=True), *flanges)
    return cut(outside, _well())


def _outlet_flange() -> Shape:
    start = d.BODY_HALF_LENGTH - BELOW
    radius = d.OUTLET_RADIUS + OUTLET_FLANGE_WIDTH
    return cylinder((start, 0.0, d.OUTLET_Z), (1.0, 0.0, 0.0), radius, d.OUTLET_FACE_X - start)


def _side_flange(port: Port) -> Shape:
    inner, outer = sorted((port.side * (d.BODY_HALF_WIDTH - BELOW), port.side * d.FLANGE_FACE_Y))
    half_z = port.stud_offset_z + d.STUD_TO_EDGE
    return box(
        (port.exit_x - port.flange_half_x, inner, port.exit_z - half_z),
        (port.exit_x + port.flange_half_x, outer, port.exit_z + half_z),
    )


def _well() -> Shape:
    half_x, half_y = d.BODY_HALF_LENGTH - d.RAIL_WIDTH, d.BODY_HALF_WIDTH - d.RAIL_WIDTH
    well = rounded(
        box((-half_x, -half_y, d.WELL_FLOOR_Z), (half_x, half_y, d.RAIL_TOP_Z + BELOW)),
        d.BODY_CORNER_RADIUS - d.RAIL_WIDTH,
        upright_only=True,
    )
    wide_x, wide_y = d.STAND_HALF_SIZE
    stands = [
        box((x - wide_x, y - wide_y, d.WELL_FLOOR_Z - BELOW), (x + wide_x, y + wide_y, d.STAND_TOP_Z))
        for x, y in d.STAND_XY
    ]
    return cut(well, *stands)


def chamber_tools() -> dict[str, Shape]:
    """Roof of each combustion chamber."""
    radius, centre_z = d.chamber_sphere()
    return {f"chamber_{number}": sphere((x, 0.0, centre_z), radius) for number, x in d.CYLINDER_X.items()}


def bolt_tools(shifts_mm: Mapping[int, Point2]) -> dict[str, Shape]:
    """The eight bolt holes, some out of place."""
    tools = {}
    for number, (x, y) in d.BOLT_XY.items():
        dx, dy = shifts_mm.get(number, (0.0, 0.0))
        tools[f"bolt_{number}"] = cylinder((x + dx, y + dy, -BELOW), UP, d.BOLT_RADIUS, d.RAIL_TOP_Z + 2.0 * BELOW)
    return tools


def drilled_tools() -> dict[str, Shape]:
    """Everything else that is cut: valve seats, guides, spring pockets, studs, push rods, plugs, stand holes."""
    tools: dict[str, Shape] = {}
    for port in d.PORTS:
        x, height = port.valve_x, d.RAIL_TOP_Z
        tools[f"seat_{port.name}"] = cylinder((x, 0.0, -BELOW), UP, port.seat_radius, d.SEAT_TOP_Z + BELOW)
        tools[f"guide_{port.name}"] = cylinder((x, 0.0, GUIDE_START_Z), UP, d.GUIDE_RADIUS, height - GUIDE_START_Z)
        tools[f"spring_{port.name}"] = cylinder(
            (x, 0.0, d.SPRING_POCKET_FLOOR_Z), UP, d.SPRING_POCKET_RADIUS, d.RAIL_TOP_Z - d.SPRING_POCKET_FLOOR_Z
        )
        tools |= _stud_tools(port)
    for number, (x, y) in enumerate(d.PUSH_ROD_XY, start=1):
        tools[f"push_rod_{number}"] = cylinder((x, y, -BELOW), UP, d.PUSH_ROD_HOLE_RADIUS, d.RAIL_TOP_Z + 2.0 * BELOW)
    for number, mirror in ((1, 1.0), (2, -1.0)):
        thread_length = d.PLUG_SEAT_LENGTH + BELOW
        tools[f"plug_thread_{number}"] = _plug_cylinder(mirror, d.PLUG_RADIUS, -BELOW, thread_length)
        tools[f"plug_socket_{number}"] = _plug_cylinder(mirror, d.PLUG_SOCKET_RADIUS, d.PLUG_SEAT_LENGTH, d.RAIL_TOP_Z)
    holes = [(x + side * d.STAND_HOLE_OFFSET_X, y) for x, y in d.STAND_XY for side in (-1.0, 1.0)]
    for number, (x, y) in enumerate(holes, start=1):
        tools[f"stand_hole_{number}"] = cylinder(
            (x, y, d.STAND_HOLE_BOTTOM_Z), UP, d.STAND_HOLE_RADIUS, d.RAIL_TOP_Z - d.STAND_HOLE_BOTTOM_Z
        )
    return tools


def _stud_tools(port: Port) -> dict[str, Shape]:
    start_y = port.side * (d.FLANGE_FACE_Y + BELOW)
    tools = {}
    for label, side in (("low", -1.0), ("high", 1.0)):
        start = (port.exit_x + side * port.stud_offset_x, start_y, port.exit_z + side * port.stud_offset_z)
        direction = (0.0, -float(port.side), 0.0)
        tools[f"stud_{port.name}_{label}"] = cylinder(start, direction, d.STUD_RADIUS, d.STUD_DEPTH + BELOW)
    return tools


def _outside_name(face: Shape) -> str:
    """Name of a face of the blank, from where it lies."""
    surface = BRepAdaptor_Surface(face)
    if surface.GetType() != GeomAbs_Plane:
        return "outside"
    origin, normal = surface.Plane().Location(), surface.Plane().Axis().Direction()
    offset = origin.X() * normal.X() + origin.Y() * normal.Y() + origin.Z() * normal.Z()
    return _PLANE_NAMES.get(
        (round(abs(normal.X()), 6), round(abs(normal.Y()), 6), round(offset * _sign(normal), 3)), "outside"
    )


def _sign(normal: Shape) -> float:
    return 1.0 if normal.X() + normal.Y() + normal.Z() > 0 else -1.0


_PLANE_NAMES = {
    (0.0, 0.0, 0.0): "deck",
    (0.0, 0.0, d.RAIL_TOP_Z): "rail",
    (0.0, 0.0, d.WELL_FLOOR_Z): "well_floor",
    (0.0, 0.0, d.STAND_TOP_Z): "rocker_stand",
    (0.0, 1.0, d.FLANGE_FACE_Y): "intake_flange",
    (0.0, 1.0, -d.FLANGE_FACE_Y): "exhaust_flange",
    (1.0, 0.0, d.OUTLET_FACE_X): "outlet_flange",
    (1.0, 0.0, -d.BODY_HALF_LENGTH): "plug_end",
    (1.0, 0.0, d.BODY_HALF_LENGTH): "outlet_end",
}

"""Twelve lines of each kind that a shop decides by before metal is poured, over the demonstration head."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from demo.geometry import design as d
from demo.geometry.design import Point3
from demo.geometry.planted import JACKET_SHIFT_MM, ROD_SIZES_MM
from demo.geometry.valve_gear import ARM_HALF_WIDTH, BASE_HALF_SIZE, SHAFT_HEIGHT

Line = dict[str, Any]
PORTS = tuple(port.name for port in d.PORTS)
BOLTS = tuple(f"bolt_{number}" for number in d.BOLT_XY)
RODS = {f"push_rod_{number}": xy for number, xy in enumerate(d.PUSH_ROD_XY, 1)}
STUDS = tuple(f"stud_{port}_{label}" for port in PORTS for label in ("low", "high"))
MIRRORED = (
    *(("guide_intake_1", "guide_intake_2"), ("guide_exhaust_1", "guide_exhaust_2")),
    *(("bolt_1", "bolt_5"), ("bolt_2", "bolt_4"), ("bolt_6", "bolt_8")),
    *(("push_rod_1", "push_rod_4"), ("push_rod_2", "push_rod_3")),
)  # siblings by a mirror across x
DOWN = {"lower_deviation": -0.3, "upper_deviation": 0.3}
SWING = {"from_degrees": -8, "to_degrees": 12}
ARM_TO_STAND = BASE_HALF_SIZE[0] + ARM_HALF_WIDTH + 1.0  # along x, between their middles: an arm beside its stand
STANDS = {f"stand {number}": xy for number, xy in enumerate(d.STAND_XY, 1)}
ARMS = {
    f"arm {stand[-1]} {side}": (xy[0] + offset, xy[1], d.STAND_TOP_Z + SHAFT_HEIGHT)
    for stand, xy in STANDS.items()
    for side, offset in (("left", -ARM_TO_STAND), ("right", ARM_TO_STAND))
}  # centre of each arm's hub
GASKET = ("bolt_1", "bolt_2", "bolt_3", "bolt_4", "bolt_5", "bolt_8", "bolt_7", "bolt_6")
SOLVED = "wall_between_4"  # the line that the solve looks after: exhaust 2, toward which the jacket core lies


def plan_document() -> dict[str, Any]:
    """The plan: regions, mock-up, 12 lines of each of the 15 kinds, one what-if and one solve."""
    return {
        "firstpour_plan": "1",
        "unit": "mm",
        "piece": {"kind": "casting", "shrink_allowance_percent": 1.3},
        "scanner": {"expanded_uncertainty": 0.04},
        "datums": [
            {"letter": "A", "feature": {"face_name": "deck"}},
            {"letter": "B", "feature": {"face_name": "bolt_1"}},
            {"letter": "C", "feature": {"face_name": "bolt_5"}},
        ],
        "frames": [{"name": "ABC", "datums": ["A", "B", "C"]}],
        "regions": list(_regions()),
        "mock_up": list(_mock_up()),
        "characteristics": [line for lines in lines_by_kind().values() for line in lines],
        "what_if": [
            {
                "name": "jacket core back",
                "of": "piece",
                "moves": [{"region": "water_jacket", "translation": [-part for part in JACKET_SHIFT_MM]}],
                "lines": ["wall_between_2", SOLVED, "core_displacement_1"],
            }
        ],
        "solve": [
            {
                "name": "jacket core along y and z",
                "of": "piece",
                "moves": [{"region": "water_jacket", "freedoms": ["y", "z"], "most": 0.8}],
                "lines": [SOLVED],
            }
        ],
    }


def lines_by_kind() -> Mapping[str, list[Line]]:
    """Kind to its lines, each with an id of its own."""
    made = {
        "wall_between": _walls(),
        "room_to_remove": _rooms(),
        "core_displacement": _cores(),
        "section_offset": _section_offsets(),
        "pocket_depth": _depths(),
        "cavity_volume": _cavities(),
        "sibling_offset": _siblings(),
        "port_area": _port_areas(),
        "port_volume": [{"region": name, "lower_mm3": 100} for name in (*PORTS, *BOLTS)],
        "port_sibling": _port_siblings(),
        "clearance": _clearances(),
        "rod_passage": _rods(),
        "fastener": _fasteners(),
        "fastener_line": _fastener_lines(),
        "fastener_sites": _sites(),
    }
    return {
        kind: [{"id": f"{kind}_{number}", "kind": kind, **line} for number, line in enumerate(lines, 1)]
        for kind, lines in made.items()
    }


def _regions() -> Iterator[Line]:
    yield from ({"name": name, "core": name} for name in (*PORTS, "water_jacket"))
    names = ["deck", "chamber_1", "chamber_2", "plug_socket_1", "plug_socket_2", *BOLTS, *RODS, *STUDS]
    names += [f"{what}_{port}" for what in ("spring", "guide", "seat") for port in PORTS]
    yield from ({"name": name, "face_names": [name]} for name in names)
    yield from ({"name": f"flange_{port.name}", "feature": _at(_beside_exit(port))} for port in d.PORTS)


def _at(point_mm: Point3) -> dict[str, Any]:
    return {"point": list(point_mm)}


def _beside_exit(port: d.Port) -> Point3:
    return port.exit_x + (port.exit_radius + port.flange_half_x) / 2, port.side * d.FLANGE_FACE_Y, port.exit_z


def _stud_hole(name: str) -> dict[str, Any]:
    """A stud's hole by a point of its axis, as its name stands on its floor too."""
    port = next(port for port in d.PORTS if port.name in name)
    sign = 1 if name.endswith("high") else -1
    y = port.side * (d.FLANGE_FACE_Y - d.STUD_DEPTH / 2)
    return _at((port.exit_x + sign * port.stud_offset_x, y, port.exit_z + sign * port.stud_offset_z))


def _seat_bore(port: d.Port) -> dict[str, Any]:
    return _at((port.valve_x, 0.0, d.SEAT_TOP_Z - 3.0))


def _spring_bore(port: d.Port) -> dict[str, Any]:
    return _at((port.valve_x, 0.0, (d.SPRING_POCKET_FLOOR_Z + d.WELL_FLOOR_Z) / 2))


def _mock_up() -> Iterator[Line]:
    for name, (x, y) in STANDS.items():
        seat = {
            "part": {"kind": "plane", "point": [0, 0, 0], "direction": [0, 0, -1]},
            "piece": {"point": [x, y, d.STAND_TOP_Z]},
        }
        offsets = (-d.STAND_HOLE_OFFSET_X, d.STAND_HOLE_OFFSET_X)
        middle_z = (d.STAND_TOP_Z + d.STAND_HOLE_BOTTOM_Z) / 2
        pairs = [{"part_point": [offset, 0, 0], "feature": _at((x + offset, y, middle_z))} for offset in offsets]
        yield {"name": name, "body": "rocker_stand", "place": {"seat": seat, "holes": pairs}}
    for name, hub in ARMS.items():
        yield {"name": name, "body": "rocker_arm", "place": {"transform": {"translation": list(hub)}}}


def _walls() -> list[Line]:
    pockets = ("spring_intake_2", "guide_intake_2", "bolt_3", STUDS[2], "push_rod_3")
    to_jacket = (*PORTS, "chamber_1", "chamber_2", *pockets)
    walls = [{"region": name, "toward": "water_jacket", "least": 5.5} for name in to_jacket]
    return [*walls, {"region": "intake_2", "toward": "bolt_4", "least": 5.5}]


def _rooms() -> list[Line]:
    to_jacket = (*PORTS, "chamber_1", "chamber_2", "guide_exhaust_1", "spring_exhaust_1", "bolt_4", "plug_socket_2")
    rooms = [{"region": name, "walls": [{"toward": "water_jacket", "least": 4.6}]} for name in to_jacket]
    both = [{"toward": "water_jacket", "least": 4.6}, {"toward": "bolt_4", "least": 4.6}]
    ports = [{"toward": "intake_1", "least": 4.6}, {"toward": "intake_2", "least": 4.6}]
    return [*rooms, {"region": "intake_2", "walls": both}, {"region": "water_jacket", "walls": ports}]


def _cores() -> list[Line]:
    cores = ("water_jacket", *PORTS)
    lines: list[Line] = [{"region": name, "most": 0.3} for name in cores]
    lines += [{"region": name, "most": 0.3, "frame": "ABC"} for name in cores]
    return [*lines, *({"region": name, "most": 0.3, "shrink_removed": False} for name in cores[:2])]


def _section_offsets() -> list[Line]:
    throats = [
        {"region": port.name, "point": [port.valve_x, 0, d.SEAT_TOP_Z + up], "normal": [0, 0, 1], "most": 1.5}
        for up in (8.5, 14.5)
        for port in d.PORTS
    ]
    pockets = [{"region": f"spring_{port.name}", **_spring_bore(port), "most": 0.5} for port in d.PORTS]
    return [
        {"feature": {"face_name": f"guide_{port.name}"}, **line}
        for line, port in zip((*throats, *pockets), d.PORTS * 3, strict=True)
    ]


def _depths() -> list[Line]:
    lines = []
    for port in d.PORTS:
        pocket = _at((port.valve_x + d.SPRING_POCKET_RADIUS - 6, 0.0, d.SPRING_POCKET_FLOOR_Z))
        seat = _at((port.valve_x + (port.throat_radius + port.seat_radius) / 2, 0.0, d.SEAT_TOP_Z))
        axis = {"face_name": f"guide_{port.name}"}
        for floor, face in ((pocket, "rail"), (pocket, "well_floor"), (seat, "deck")):
            lines.append({"feature": floor, "face": {"face_name": face}, "axis": axis, **DOWN})
    return lines


def _cavities() -> list[Line]:
    below = {"chamber_1": "deck", "chamber_2": "deck", **{f"spring_{port}": "well_floor" for port in PORTS}}
    below |= dict.fromkeys(BOLTS[:6], "deck")
    return [
        {"region": name, "plane": {"face_name": face}, "openings": "flat", "lower_cc": 0.1}
        for name, face in below.items()
    ]


def _siblings() -> list[Line]:
    named = [
        ({"face_name": own}, {"face_name": other}) for own, other in (*MIRRORED, ("plug_thread_1", "plug_thread_2"))
    ]
    ports = ((d.PORTS[0], d.PORTS[1]), (d.PORTS[2], d.PORTS[3]))
    bores = [(bore(own), bore(other)) for bore in (_seat_bore, _spring_bore) for own, other in ports]
    return [{"feature": own, "sibling": other, "mirror": "x", "most": 0.3} for own, other in (*named, *bores)]


def _port_areas() -> list[Line]:
    flow = {"pressure_inches_of_water": 28, "discharge_coefficient": 0.6}
    plain = [{"region": name, "least_mm2": 100} for name in (*PORTS, *BOLTS[:4])]
    return [*plain, *({"region": port.name, "valve": _valve(port), "flow": flow} for port in d.PORTS)]


def _valve(port: d.Port) -> dict[str, Any]:
    """A valve that its seat's counterbore and the throat of the port have room for."""
    return {
        "diameter": 2 * port.seat_radius - 2,
        "stem_diameter": 9,
        "seat_width": 2,
        "seat_angle_degrees": 45,
        "throat_diameter": 2 * port.throat_radius - 2,
        "lifts": [3, 6, 9, 12],
    }


def _port_siblings() -> list[Line]:
    ports = (("intake_1", "intake_2"), ("exhaust_1", "exhaust_2"))
    pairs = [*ports, *(pair[::-1] for pair in ports), *MIRRORED, MIRRORED[-1][::-1]]
    return [{"region": own, "sibling": other, "mirror": "x", "point": [0, 0, 0], "most": 0.5} for own, other in pairs]


def _clearances() -> list[Line]:
    lines: list[Line] = []
    for stand, side in zip(STANDS, ("1", "2"), strict=True):
        lines += [{"body": stand, "against": f"{what}_{side}"} for what in ("spring_intake", "spring_exhaust")]
    for arm, hub in ARMS.items():
        motion = {"rotation": {"point": list(hub), "axis": [1, 0, 0], **SWING}}
        lines += [
            {"body": arm, "against": against, "motion": motion} for against in ("piece", f"stand {arm.split()[1]}")
        ]
    return [{**line, "least": 1.0} for line in lines]


def _rods() -> list[Line]:
    lines: list[Line] = []
    lean_x, lean_y = d.PUSH_ROD_XY[2]  # of the rod whose ends the design names; the others lean alike
    for x, y in RODS.values():
        start, end = ([at[0] - lean_x + x, at[1] - lean_y + y, at[2]] for at in d.PUSH_ROD_3_ENDS)
        axis = {"start": start, "end": end, "least": 0.1}
        lines += [{**axis, "diameter": size} for size in ROD_SIZES_MM.values()]
        lines += [{**axis, "diameter": 11.0, "end_travel": [end[0], end[1] + 1.0, end[2] + 10.0]}]
    return lines


def _fasteners() -> list[Line]:
    studs: list[Line] = [{"feature": _stud_hole(name), "thread": "M8", "joint": "tapped"} for name in STUDS]
    bolts = [{"feature": {"face_name": name}, "thread": "M12", "joint": "through"} for name in BOLTS[:4]]
    return [{**line, "least": 2.0} for line in (*studs, *bolts)]


def _fastener_lines() -> list[Line]:
    rows = [(GASKET[:count], False) for count in range(2, 9)]
    rows += [(GASKET, True), (STUDS[:4], True), (STUDS[4:], True), (STUDS[:2], False), (STUDS[2:4], False)]
    return [
        {
            "features": [_stud_hole(name) if name in STUDS else {"face_name": name} for name in names],
            "closed": closed,
            "most": 130,
        }
        for names, closed in rows
    ]


def _sites() -> list[Line]:
    sizes = (("M5", 8), ("M6", 10), ("M8", 12))
    return [
        {"region": f"flange_{port}", "thread": thread, "depth": depth, "least": 2.0}
        for port in PORTS
        for thread, depth in sizes
    ]

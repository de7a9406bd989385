"""Twelve lines of each kind that a shop decides by before metal is poured, over the demonstration head."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

Line = dict[str, Any]
PORTS = ("intake_1", "intake_2", "exhaust_1", "exhaust_2")
AT_X = {"intake_1": -25, "intake_2": 25, "exhaust_1": -55, "exhaust_2": 55}  # of valve and guide
BOLTS = tuple(f"bolt_{number}" for number in range(1, 9))
RODS = {"push_rod_1": -38.0, "push_rod_2": -22.0, "push_rod_3": 22.0, "push_rod_4": 38.0}  # x of the axis
STUDS = tuple(f"stud_{port}_{label}" for port in PORTS for label in ("low", "high"))
STUD_HOLES = {name: f"hole-{number}" for number, name in enumerate(STUDS, 43)}  # a stud's name stands on its floor too
MIRRORED = (
    *(("guide_intake_1", "guide_intake_2"), ("guide_exhaust_1", "guide_exhaust_2")),
    *(("bolt_1", "bolt_5"), ("bolt_2", "bolt_4"), ("bolt_6", "bolt_8")),
    *(("push_rod_1", "push_rod_4"), ("push_rod_2", "push_rod_3")),
)  # siblings by a mirror across x
FLANGES = {"intake_1": 28, "intake_2": 29, "exhaust_1": 89, "exhaust_2": 90}  # numbers of their plane features
DOWN = {"lower_deviation": -0.3, "upper_deviation": 0.3}
SWING = {"from_degrees": -8, "to_degrees": 12}
ARMS = {"arm 1": -46.5, "arm 2": -27.5, "arm 3": 27.5, "arm 4": 46.5}  # x of each rocker arm, beside its stand's post
STANDS = {"stand 1": (-37, 39, 40), "stand 2": (37, 41, 42)}  # x, and the holes it sits over
GASKET = ("bolt_1", "bolt_2", "bolt_3", "bolt_4", "bolt_5", "bolt_8", "bolt_7", "bolt_6")
SOLVED = "wall_between_2"  # the line that the solve looks after


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
                "moves": [{"region": "water_jacket", "translation": [-0.129, -0.386, 0.193]}],
                "lines": ["wall_between_1", "wall_between_2", "core_displacement_1"],
            }
        ],
        "solve": [
            {
                "name": "jacket core along y",
                "of": "piece",
                "moves": [{"region": "water_jacket", "freedoms": ["y"], "most": 0.8}],
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
    yield from ({"name": f"flange_{port}", "feature": f"plane-{number}"} for port, number in FLANGES.items())


def _mock_up() -> Iterator[Line]:
    for name, (x, *holes) in STANDS.items():
        seat = {
            "part": {"kind": "plane", "point": [0, 0, 0], "direction": [0, 0, -1]},
            "piece": {"point": [x, -20, 72]},
        }
        pairs = [
            {"part_point": [side * 11, 0, 0], "feature": f"hole-{hole}"}
            for side, hole in zip((-1, 1), holes, strict=True)
        ]
        yield {"name": name, "body": "rocker_stand", "place": {"seat": seat, "holes": pairs}}
    for name, arm_x in ARMS.items():
        yield {"name": name, "body": "rocker_arm", "place": {"transform": {"translation": [arm_x, -23, 88]}}}


def _walls() -> list[Line]:
    pockets = ("spring_intake_2", "guide_intake_2", "bolt_3", STUDS[2], "push_rod_3")
    to_jacket = (*PORTS, "chamber_1", "chamber_2", *pockets)
    walls = [{"region": name, "toward": "water_jacket", "least": 3.5} for name in to_jacket]
    return [*walls, {"region": "intake_2", "toward": "bolt_4", "least": 3.5}]


def _rooms() -> list[Line]:
    to_jacket = (*PORTS, "chamber_1", "chamber_2", "guide_exhaust_1", "spring_exhaust_1", "bolt_4", "plug_socket_2")
    rooms = [{"region": name, "walls": [{"toward": "water_jacket", "least": 3.2}]} for name in to_jacket]
    both = [{"toward": "water_jacket", "least": 3.0}, {"toward": "bolt_4", "least": 3.0}]
    ports = [{"toward": "intake_1", "least": 3.2}, {"toward": "intake_2", "least": 3.2}]
    return [*rooms, {"region": "intake_2", "walls": both}, {"region": "water_jacket", "walls": ports}]


def _cores() -> list[Line]:
    cores = ("water_jacket", *PORTS)
    lines: list[Line] = [{"region": name, "most": 0.3} for name in cores]
    lines += [{"region": name, "most": 0.3, "frame": "ABC"} for name in cores]
    return [*lines, *({"region": name, "most": 0.3, "shrink_removed": False} for name in cores[:2])]


def _section_offsets() -> list[Line]:
    guides = [({"face_name": f"guide_{port}"}, port) for port in PORTS]
    at = [(feature, port, height) for height in (16, 20) for feature, port in guides]
    lines = [
        {"feature": feature, "region": port, "point": [AT_X[port], 0, height], "normal": [0, 0, 1], "most": 1.5}
        for feature, port, height in at
    ]
    pockets = [
        {"feature": feature, "region": f"spring_{port}", "point": [AT_X[port], 0, 64.5], "most": 0.5}
        for feature, port in guides
    ]
    return [*lines, *pockets]


def _depths() -> list[Line]:
    floors = {"intake_1": (6, 109), "intake_2": (7, 112), "exhaust_1": (5, 108), "exhaust_2": (8, 113)}
    lines = []
    for port, (pocket, seat) in floors.items():
        axis = {"face_name": f"guide_{port}"}
        for floor, face in ((pocket, "rail"), (pocket, "well_floor"), (seat, "deck")):
            lines.append({"feature": f"plane-{floor}", "face": {"face_name": face}, "axis": axis, **DOWN})
    return lines


def _cavities() -> list[Line]:
    below = {"chamber_1": "deck", "chamber_2": "deck", **{f"spring_{port}": "well_floor" for port in PORTS}}
    below |= dict.fromkeys(BOLTS[:6], "deck")
    return [
        {"region": name, "plane": {"face_name": face}, "openings": "flat", "lower_cc": 0.1}
        for name, face in below.items()
    ]


def _siblings() -> list[Line]:
    holes = (
        ("hole-5", "hole-6"),
        ("hole-8", "hole-9"),
        ("hole-2", "hole-3"),
        ("hole-1", "hole-4"),
        ("hole-26", "hole-25"),
    )
    pairs = [({"face_name": own}, {"face_name": other}) for own, other in MIRRORED]
    return [{"feature": own, "sibling": other, "mirror": "x", "most": 0.3} for own, other in (*pairs, *holes)]


def _port_areas() -> list[Line]:
    flow = {"pressure_inches_of_water": 28, "discharge_coefficient": 0.6}
    valve = {"diameter": 24, "stem_diameter": 6, "seat_width": 1.5, "seat_angle_degrees": 45, "throat_diameter": 19}
    plain = [{"region": name, "least_mm2": 40} for name in (*PORTS, *BOLTS[:4])]
    return [*plain, *({"region": name, "valve": {**valve, "lifts": [2, 4, 6, 8]}, "flow": flow} for name in PORTS)]


def _port_siblings() -> list[Line]:
    ports = (("intake_1", "intake_2"), ("exhaust_1", "exhaust_2"))
    pairs = [*ports, *(pair[::-1] for pair in ports), *MIRRORED, MIRRORED[-1][::-1]]
    return [{"region": own, "sibling": other, "mirror": "x", "point": [0, 0, 0], "most": 0.5} for own, other in pairs]


def _clearances() -> list[Line]:
    lines: list[Line] = []
    for stand, side in zip(STANDS, ("1", "2"), strict=True):
        lines += [{"body": stand, "against": f"{what}_{side}"} for what in ("spring_intake", "spring_exhaust")]
    for number, (arm, x) in enumerate(ARMS.items()):
        motion = {"rotation": {"point": [x, -23, 88], "axis": [1, 0, 0], **SWING}}
        lines += [{"body": arm, "against": "piece", "motion": motion}]
        lines += [{"body": arm, "against": list(STANDS)[number // 2], "motion": motion}]
    return [{**line, "least": 1.0} for line in lines]


def _rods() -> list[Line]:
    lines: list[Line] = []
    for x in RODS.values():
        axis = {"start": [x, -41, -12], "end": [x - 0.2, -40.9, 86], "least": 0.1}
        lines += [{**axis, "diameter": size} for size in (7.9375, 8.5)]
        lines += [{**axis, "diameter": 6.5, "end_travel": [x - 0.2, -40.3, 92]}]
    return lines


def _fasteners() -> list[Line]:
    studs: list[Line] = [{"feature": hole, "thread": "M6", "joint": "tapped"} for hole in STUD_HOLES.values()]
    bolts = [{"feature": {"face_name": name}, "thread": "M8", "joint": "through"} for name in BOLTS[:4]]
    return [{**line, "least": 2.0} for line in (*studs, *bolts)]


def _fastener_lines() -> list[Line]:
    rows = [(GASKET[:count], False) for count in range(2, 9)]
    rows += [(GASKET, True), (STUDS[:4], True), (STUDS[4:], True), (STUDS[:2], False), (STUDS[2:4], False)]
    return [
        {"features": [STUD_HOLES.get(name, {"face_name": name}) for name in names], "closed": closed, "most": 85}
        for names, closed in rows
    ]


def _sites() -> list[Line]:
    sizes = (("M4", 6), ("M5", 7), ("M6", 8))
    return [
        {"region": f"flange_{port}", "thread": thread, "depth": depth, "least": 1.5}
        for port in PORTS
        for thread, depth in sizes
    ]

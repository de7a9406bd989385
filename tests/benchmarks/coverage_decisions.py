"""The plan of the coverage benchmark's second part: the decisions before metal is poured, with what is true of each."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np

from shared.plan import Plan
from tests.benchmarks.coverage_decisions_truth import DecisionTruth
from tests.benchmarks.coverage_piece import DATUM_FACES, Chances
from tests.benchmarks.coverage_plan import Ids, Known, Line, axes_apart, core_known, numbered, of
from tests.support.coverage_part import CoveragePart
from tests.support.decision_part import BAR_AT_MM, BOLTS, HALF_MM, SEAT_MM, SHAPES
from worker.records import Characteristic

CORE_LEAST, BOLT_LEAST = 3.0, 3.5  # walls to keep
RODS = (((108.3, 20.0, -5.0), (107.6, 20.2, 41.0)), ((107.7, 19.6, -5.0), (108.1, 20.3, 41.0)))
ROD_MM, DRILL_MM, SITE_DEPTH_MM = 12.0, 5.0, 8.0  # 5 mm is the tap drill of M6
ALIKE, IN_X = np.ones(3), np.array([-1.0, 1.0, 1.0])
BRACKET: dict[str, Any] = {"kind": "plane", "point": [0, 0, 0], "direction": [0, 0, -1]}
LEVELS = (4.0, 11.0, 18.0)

DECISION_CHANCES = Chances(
    shapes=SHAPES,
    half_mm=HALF_MM,
    perfect=DATUM_FACES,
    half_seen=("bolt 2", "throat", "rod high"),
    bent=("port 1", "throat"),
    level=("top",),  # what the bracket sits on: its least-squares plane is then the one it touches
    flared=("port 1", "port 2"),
)


def decision_lines(part: CoveragePart) -> tuple[Line, ...]:
    """All lines, with ids."""
    makers = (_walls, _offsets, _siblings, _volumes, _ports, _fits, _fasteners)
    return numbered(line for make in makers for line in make(part_ids(part)))


def part_ids(part: CoveragePart) -> Ids:
    """Ids of features by name."""
    return {name: feature.id for name, feature in part.features.items()}


def decision_plan(lines: tuple[Line, ...], part: CoveragePart) -> Plan:
    """The plan that asks for them, in mm."""
    ids = part_ids(part)
    named = ("port 1", "port 2", "port 3", "bolt 1", "bolt 2", "throat", "chamber", "top", "step")
    axes = [{"part": _axis(y), "piece": ids[name]} for name, y in (("bolt 1", 0.0), ("bolt 2", 56.0))]
    return Plan.model_validate(
        {
            "firstpour_plan": "1",
            "piece": {"kind": "print", "shrink_allowance_percent": 0},
            "datums": [
                {"letter": letter, "feature": ids[name]}
                for letter, name in zip("ABC", ("bottom", "front", "left"), strict=True)
            ],
            "frames": [{"name": "ABC", "datums": ["A", "B", "C"]}],
            "regions": [
                {"name": "core", "core": "core"},
                {"name": "pocket", "faces": _faces(part, ("pocket", "pocket floor"))},
                *({"name": name, "feature": ids[name]} for name in named),
            ],
            "mock_up": [
                {
                    "name": "bracket",
                    "body": "bracket",
                    "place": {"mates": [{"part": BRACKET, "piece": ids["top"]}, *axes]},
                },
                {"name": "bar", "body": "bar", "place": {"transform": {"translation": BAR_AT_MM}}},
            ],
            "characteristics": [line.spec for line in lines],
        }
    ).to_mm()


def _axis(y_mm: float) -> dict[str, Any]:
    return {"kind": "axis", "point": [0, y_mm, 0], "direction": [0, 0, 1]}


def _faces(part: CoveragePart, names: tuple[str, ...]) -> list[int]:
    owners = [list(part.shapes).index(name) for name in names]
    return [int(face) for face in np.unique(part.nominal.triangle_face[np.isin(part.owner, owners)])]


def _seen_whole(known: Known) -> Known:
    """No truth where one skin is taken as the CAD has it, which the report says."""
    return lambda truth, judged: known(truth, judged) if judged.details.get("seen") == "both sides" else None


def _walls(_: Ids) -> Iterator[Line]:
    for port, bolts in (("port 1", ("bolt 1", "bolt 2")), ("port 2", ("bolt 1", "bolt 2"))):
        for bolt in bolts:
            spec = {"kind": "wall_between", "region": port, "toward": bolt, "least": 3.0}
            known = _seen_whole(of(DecisionTruth.wall_of_bores, port, bolt))
            yield Line("wall between crossing bores", spec, known, is_length=False)
    for name in ("port 1", "bolt 2"):
        spec = {"kind": "wall_between", "region": name, "toward": "core", "least": 3.0}
        known = _seen_whole(of(DecisionTruth.wall_to_core, name))
        yield Line("wall between bore and core", spec, known, is_length=False)
    for bolt in ("bolt 1", "bolt 2"):
        walls = [{"toward": "core", "least": CORE_LEAST}, {"toward": bolt, "least": BOLT_LEAST}]
        spec = {"kind": "room_to_remove", "region": "port 1", "walls": walls}
        known = _seen_whole(of(DecisionTruth.room, "port 1", CORE_LEAST, bolt, BOLT_LEAST))
        yield Line("room to remove", spec, known, is_length=False)
    yield Line("core displacement", {"kind": "core_displacement", "region": "core", "most": 0.5}, core_known)


def _offsets(ids: Ids) -> Iterator[Line]:
    own: dict[str, Any] = {"kind": "section_offset", "feature": ids["guide"], "region": "throat", "frame": "ABC"}
    for level in LEVELS:
        spec = {**own, "point": [82, 24, level], "most": 0.5}
        yield Line("section offset", spec, of(DecisionTruth.section_offset, "guide", "throat", level, None))
    for level, part in ((6.0, "x"), (15.0, "y")):
        spec = {**own, "point": [82, 24, level], "direction": part, "lower_deviation": -1, "upper_deviation": 1}
        known = of(DecisionTruth.section_offset, "guide", "throat", level, "xyz".index(part))
        yield Line("section offset along an axis", spec, known, is_length=False)
    limits: dict[str, Any] = {"kind": "pocket_depth", "lower_deviation": -1, "upper_deviation": 1}
    for floor, face, axis in (("pocket floor", "top", "guide"), ("step", "top", "bolt 1")):
        spec = {**limits, "feature": ids[floor], "face": ids[face], "axis": ids[axis]}
        yield Line("pocket depth", spec, of(DecisionTruth.depth, floor, face, axis), is_length=False)


def _siblings(ids: Ids) -> Iterator[Line]:
    own: dict[str, Any] = {"kind": "sibling_offset", "frame": "ABC", "most": 0.5}
    for first, second, mirror in (
        ("bolt 1", "bolt 2", "none"),
        ("bolt 3", "bolt 1", "x"),
        ("bolt 3", "bolt 4", "none"),
        ("bolt 4", "bolt 2", "x"),
    ):
        spec = {**own, "feature": ids[first], "sibling": ids[second], "mirror": mirror}
        known = of(DecisionTruth.siblings_apart, first, second, IN_X if mirror == "x" else ALIKE)
        yield Line("sibling offset", spec, known)


def _volumes(ids: Ids) -> Iterator[Line]:
    own: dict[str, Any] = {"kind": "cavity_volume", "upper_cc": 9.0}
    spec = {**own, "region": "chamber", "plane": ids["bottom"]}
    yield Line("cavity volume of a cap", spec, of(DecisionTruth.chamber_cc), is_length=False)
    spec = {**own, "region": "pocket", "plane": ids["top"], "openings": "flat"}
    yield Line("cavity volume of a pocket", spec, of(DecisionTruth.pocket_cc), is_length=False)


def _ports(_: Ids) -> Iterator[Line]:
    for name in ("port 1", "port 2"):
        spec = {"kind": "port_area", "region": name, "least_mm2": 200.0}
        yield Line("port area", spec, of(DecisionTruth.least_area, name), is_length=False)
    spec = {"kind": "port_area", "region": "port 3", "least_mm2": 100.0}
    yield Line("port area of a cone", spec, of(DecisionTruth.least_area, "port 3"), is_length=False)
    for name in ("port 1", "port 2", "port 3"):
        spec = {"kind": "port_volume", "region": name, "lower_mm3": 5000.0}
        yield Line("port volume", spec, of(DecisionTruth.volume, name), is_length=False)
    own: dict[str, Any] = {"kind": "port_sibling", "region": "port 1", "sibling": "port 2", "most": 0.5}
    for mirror in ({}, {"mirror": "x", "point": [42.5, 0, 0]}):
        known = of(DecisionTruth.ports_apart, "port 1", "port 2", is_mirrored=bool(mirror))
        yield Line("port sibling, mirrored" if mirror else "port sibling", {**own, **mirror}, known)


def _fits(_: Ids) -> Iterator[Line]:
    spec: dict[str, Any] = {"kind": "clearance", "body": "bracket", "against": "step", "least": 1.0}
    yield Line("clearance, seated", spec, of(DecisionTruth.bracket_clearance), is_length=False)
    turn = {"rotation": {"point": BAR_AT_MM, "axis": [0, 1, 0], "to_degrees": 120}}
    spec = {"kind": "clearance", "body": "bar", "against": "top", "least": 1.0, "motion": turn}
    yield Line("clearance, turning", spec, of(DecisionTruth.bar_clearance), is_length=False)
    for start, end in RODS:
        spec = {"kind": "rod_passage", "start": start, "end": end, "diameter": ROD_MM, "least": 0.2, "frame": "ABC"}
        known = of(DecisionTruth.rod_gap, np.array(start), np.array(end), ROD_MM / 2)
        yield Line("rod passage", spec, known, is_length=False)


def _fasteners(ids: Ids) -> Iterator[Line]:
    spec: dict[str, Any]
    for name in BOLTS:
        spec = {"kind": "fastener", "feature": ids[name], "thread": "M8", "joint": "tapped"}
        yield Line("metal round a fastener", spec, of(DecisionTruth.metal, name), is_length=False)
    for names in (("bolt 3", "bolt 1", "bolt 2", "bolt 4"), ("bolt 3", "bolt 1"), ("bolt 4", "bolt 2")):
        spec = {"kind": "fastener_line", "features": [ids[name] for name in names], "most": 60.0}
        known = of(_largest_gap, names=names)
        yield Line("gap of a fastener line", spec, known, is_length=False)
    spec = {"kind": "fastener_sites", "region": "top", "thread": "M6", "depth": SITE_DEPTH_MM}
    yield Line("metal at a site", spec, _site_known, is_length=False, told=_site_told)


def _largest_gap(truth: DecisionTruth, *, names: tuple[str, ...]) -> float:
    return max(axes_apart(truth, names=pair) for pair in pairwise(names))


def _site_told(judged: Characteristic) -> tuple[float, float] | None:
    """Metal and U of the last of the sites listed, the one with least metal."""
    rows = judged.exhibits.tables[0].rows if judged.exhibits.tables else ()
    if not rows:
        return None
    metal, U = rows[-1][3], rows[-1][4]
    return (metal, U) if isinstance(metal, float) and isinstance(U, float) else None


def _site_known(truth: DecisionTruth, judged: Characteristic) -> float | None:
    x, y, _ = (float(str(cell)) for cell in judged.exhibits.tables[0].rows[-1][:3])
    return truth.metal_at_site(np.array([x, y, SEAT_MM[2]]), DRILL_MM / 2, SITE_DEPTH_MM)

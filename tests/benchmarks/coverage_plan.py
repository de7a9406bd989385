"""The plan of the coverage benchmark: lines of every kind, each with what is true of it on a simulated piece."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from shared.plan import Plan
from tests.benchmarks.coverage_truth import Truth
from tests.support.coverage_part import SHAPES, Ball, CoveragePart, Round
from worker.records import Characteristic

Known = Callable[[Any, Characteristic], float | None]  # of the part's own Truth; None: this piece has no such truth
Told = Callable[[Characteristic], tuple[float, float] | None]
UP = np.array([0.0, 0.0, 1.0])
ZONE = {"zone": 0.2}
HOLES = ("hole 1", "hole 2", "hole 3", "hole 4", "hole 5", "hole 6", "hole 7", "side hole")


@dataclass(frozen=True)
class Line:
    """A line of the plan.

    group : under what its coverage is counted;  is_length : cannot be less than nothing
    told : the value and its U, where they are not those of the line itself; None where there is none this time
    """

    group: str
    spec: dict[str, Any]
    known: Known
    is_length: bool = True
    told: Told | None = None


def coverage_lines(part: CoveragePart) -> tuple[Line, ...]:
    """All lines, with ids."""
    ids = {name: feature.id for name, feature in part.features.items()}
    makers = (_sizes, _distances, _angles, _forms, _leans, _places, _maps)
    return numbered(line for make in makers for line in make(ids))


def numbered(lines: Iterable[Line]) -> tuple[Line, ...]:
    """The same with ids."""
    return tuple(replace(line, spec={"id": f"line-{number}", **line.spec}) for number, line in enumerate(lines))


def coverage_plan(lines: tuple[Line, ...], part: CoveragePart) -> Plan:
    """The plan that asks for them, in mm."""
    ids = {name: feature.id for name, feature in part.features.items()}
    datums = [
        *(
            {"letter": letter, "feature": ids[name]}
            for letter, name in zip("ABC", ("bottom", "front", "left"), strict=True)
        ),
        *(
            {"letter": letter, "feature": ids[name], "reference": "least_squares"}
            for letter, name in zip("LMN", ("bottom", "front", "left"), strict=True)
        ),
        {"letter": "D", "feature": ids["bore"]},
        {"letter": "E", "feature": ids["small boss"], "reference": "least_squares"},
    ]
    return Plan.model_validate(
        {
            "firstpour_plan": "1",
            "piece": {"kind": "print", "shrink_allowance_percent": 0},
            "datums": datums,
            "frames": [{"name": "ABC", "datums": ["A", "B", "C"]}, {"name": "LMN", "datums": ["L", "M", "N"]}],
            "regions": [
                {"name": "core", "core": "core"},
                *(
                    {"name": name, "feature": ids[name]}
                    for name in ("step", "chamfer", "ring", "top", "right", "hole 1")
                ),
            ],
            "characteristics": [line.spec for line in lines],
        }
    ).to_mm()


Ids = dict[str, str]


def of(method: Callable[..., float | None], *names: object, times: float = 1.0, **options: object) -> Known:
    """A truth by its method."""

    def known(truth: Truth, _: Characteristic) -> float | None:
        found = method(truth, *names, **options)
        return None if found is None else times * found

    return known


def _sizes(ids: Ids) -> Iterator[Line]:
    own = {"kind": "size", "lower_deviation": -0.1, "upper_deviation": 0.1}
    for name in (*HOLES, "ball", "slot", "ring"):
        kind = "size of a " + ("hole" if "hole" in name else "boss" if name == "ring" else name)
        yield Line(kind, {**own, "feature": ids[name]}, of(Truth.diameter, name), is_length=False)
    for name, inscribed in (("hole 3", True), ("hole 1", True), ("ring", False)):
        how = "maximum_inscribed" if inscribed else "minimum_circumscribed"
        known = of(Truth.envelope, name, inscribed=inscribed)
        yield Line(f"size, {how}", {**own, "feature": ids[name], "association": how}, known, is_length=False)


def _distances(ids: Ids) -> Iterator[Line]:
    own: dict[str, Any] = {"kind": "distance", "lower_deviation": -0.2, "upper_deviation": 0.2}
    for first, second in (("hole 1", "hole 4"), ("hole 5", "hole 6"), ("hole 2", "hole 3")):
        spec = {**own, "first": ids[first], "second": ids[second]}
        yield Line("distance of axes", spec, of(axes_apart, names=(first, second)), is_length=False)
    for first, second in (("left", "right"), ("front", "back"), ("step", "top")):
        spec = {**own, "first": ids[first], "second": ids[second]}
        yield Line("distance of planes", spec, of(_planes_apart, names=(first, second)), is_length=False)
    for name, part, frame in (
        ("hole 3", "x", "ABC"),
        ("ball", "z", "ABC"),
        ("hole 4", "y", "LMN"),
        ("slot", "y", "ABC"),
    ):
        spec = {**own, "first": ids[name], "direction": part, "frame": frame}
        known = of(_coordinate, name=name, axis="xyz".index(part), frame=frame)
        yield Line("coordinate in a frame", spec, known, is_length=False)


def axes_apart(truth: Truth, *, names: tuple[str, str]) -> float:
    """At the height midway between their middles, square to their mean direction."""
    (first, one), (second, other) = (truth.axis(name) for name in names)
    mean = (one + other) / np.linalg.norm(one + other)
    gap = second - first
    half = gap @ mean / 2  # both axes are followed to the height midway
    met = gap - half * other / (other @ mean) - half * one / (one @ mean)
    return float(np.linalg.norm(met - (met @ mean) * mean))


def _planes_apart(truth: Truth, *, names: tuple[str, str]) -> float:
    """Between the places of nominal's centroids on both, along the mean normal."""
    (first, one), (second, other) = (truth.plane(name) for name in names)
    other = other * np.sign(other @ one)
    mean = (one + other) / np.linalg.norm(one + other)
    return abs(float((second - first) @ mean))


def _coordinate(truth: Truth, *, name: str, axis: int, frame: str) -> float | None:
    if frame == "LMN" and not truth.is_bottom_flat:
        return None
    shape = SHAPES[name]
    if isinstance(shape, Ball) or name == "slot":
        return float(truth.centre(name)[axis])
    middle, direction = truth.axis(name)
    along = (truth.round(name).middle_mm - middle)[2] / direction[2]
    return float((middle + along * direction)[axis])


def _angles(ids: Ids) -> Iterator[Line]:
    for first, second in (("chamfer", "top"), ("step wall", "step"), ("right", "back")):
        spec = {"kind": "angle", "first": ids[first], "second": ids[second], "lower_degrees": 0, "upper_degrees": 180}
        yield Line("angle of planes", spec, of(_between, names=(first, second)), is_length=False)
    for name in ("hole 7", "hole 5"):
        spec = {"kind": "angle", "first": ids[name], "second": ids["top"], "lower_degrees": 0, "upper_degrees": 10}
        yield Line("angle of axis and plane", spec, of(_between, names=(name, "top")))
    spec = {"kind": "angle", "first": ids["cone"], "lower_degrees": 40, "upper_degrees": 60}
    yield Line("angle of a cone", spec, of(_cone_angle), is_length=False)


def _between(truth: Truth, *, names: tuple[str, str]) -> float:
    one, other = (truth.axis(name)[1] if "hole" in name else truth.plane(name)[1] for name in names)
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(one, other)), one @ other)))


def _cone_angle(truth: Truth) -> float:
    return float(np.degrees(2 * np.arctan(truth.round("cone").slope + truth.fault("cone").widening)))


def _forms(ids: Ids) -> Iterator[Line]:
    for name in ("top", "step", "right", "back", "chamfer", "bottom"):
        spec = {"kind": "flatness", "feature": ids[name], **ZONE}
        yield Line("flatness", spec, of(Truth.plane_zone, name, is_flatness=True))
    for name in ("hole 3", "hole 4", "under cone"):
        spec = {"kind": "straightness", "feature": ids[name], "of": "axis", **ZONE}
        yield Line("straightness of an axis", spec, of(Truth.axis_bend, name))
    for name in ("hole 1", "hole 4", "ring", "small bore"):
        spec = {"kind": "roundness", "feature": ids[name], **ZONE}
        yield Line("roundness", spec, of(Truth.roundness, name))
    for name in ("hole 1", "hole 3", "hole 4", "ring"):
        spec = {"kind": "cylindricity", "feature": ids[name], **ZONE}
        yield Line("cylindricity", spec, of(Truth.cylindricity, name))


def _leans(ids: Ids) -> Iterator[Line]:
    faces = (("parallelism", "top", "A", UP), ("parallelism", "step", "A", UP), ("perpendicularity", "right", "A", UP))
    for kind, name, datum, about in (
        *faces,
        ("perpendicularity", "step wall", "A", UP),
        ("angularity", "chamfer", "A", UP),
    ):
        spec = {"kind": kind, "feature": ids[name], "datum": datum, **ZONE}
        yield Line(f"{kind} of a plane", spec, of(Truth.plane_zone, name, about))
    for kind, name, datum in (
        ("perpendicularity", "hole 1", "A"),
        ("perpendicularity", "hole 5", "A"),
        ("parallelism", "hole 4", "D"),
        ("parallelism", "ring", "D"),
    ):
        spec = {"kind": kind, "feature": ids[name], "datum": datum, **ZONE}
        yield Line(f"{kind} of an axis", spec, of(Truth.lean, name))
    for name, datum, axis in (("ring", "D", "bore"), ("small bore", "E", "small boss")):
        spec = {"kind": "coaxiality", "feature": ids[name], "datum": datum, "zone_diameter": 0.3}
        known = of(Truth.from_axis, name, axis, times=2.0)
        yield Line("coaxiality", spec, known)
    for kind, total in (("circular_runout", False), ("total_runout", True)):
        spec = {"kind": kind, "feature": ids["ring"], "datum": "D", **ZONE}
        yield Line(kind.replace("_", " "), spec, of(Truth.run_out, "ring", "bore", is_total=total))
        spec = {"kind": kind, "feature": ids["ring top"], "datum": "D", **ZONE}
        yield Line(
            f"{kind.replace('_', ' ')} of a face",
            spec,
            of(Truth.face_run_out, "ring top", is_total=total),
        )


def _places(ids: Ids) -> Iterator[Line]:
    own = {"kind": "position", "zone_diameter": 0.3}
    for name in ("hole 1", "hole 2", "hole 3", "hole 5", "side hole", "cone"):
        yield Line("position", {**own, "feature": ids[name], "frame": "ABC"}, of(_position, name=name))
    yield Line("position", {**own, "feature": ids["ball"], "frame": "ABC"}, of(_ball_position))
    yield Line("position", {**own, "feature": ids["slot"], "frame": "ABC"}, of(Truth.slot_offset, times=2.0))
    for name in ("hole 4", "hole 6"):
        known = of(_position, name=name, frame="LMN")
        yield Line("position, least-squares frame", {**own, "feature": ids[name], "frame": "LMN"}, known)
    sized = {"condition": "mmc", "lower_deviation": -0.2, "upper_deviation": 0.2}
    spec = {**own, **sized, "feature": ids["hole 7"], "frame": "ABC"}
    yield Line("position, mmc", spec, of(_beyond_bonus, name="hole 7"), is_length=False, told=_told_beyond_bonus)
    for name in ("hole 2", "hole 4", "hole 6"):
        known = of(Truth.free_offset, name, times=2.0)
        yield Line("position, fit of the piece", {**own, "feature": ids[name], "shrink_removed": True}, known)
    for name in ("hole 1", "hole 6"):
        spec = {**own, "feature": ids[name], "frame": "ABC", "shrink_removed": True}
        yield Line("position, shrink removed", spec, of(Truth.free_offset, name, times=2.0))


def _position(truth: Truth, *, name: str, frame: str = "ABC") -> float | None:
    return None if frame == "LMN" and not truth.is_bottom_flat else 2 * truth.axis_offset(name)


def _beyond_bonus(truth: Truth, *, name: str) -> float | None:
    """What its zone needs beyond what its size adds: the inscribed cylinder above the least size, 0.2 below nominal."""
    shape = SHAPES[name]
    assert isinstance(shape, Round)
    size = truth.envelope(name, inscribed=True)
    if size is None:
        return None
    return 2 * truth.axis_offset(name) - float(np.clip(size - (2 * shape.radius_mm - 0.2), 0.0, 0.4))


def _told_beyond_bonus(found: Characteristic) -> tuple[float, float] | None:
    if found.measured is None or found.U is None:
        return None
    bonus = found.details.get("bonus_mm", 0.0)
    assert isinstance(bonus, float)
    return found.measured - bonus, found.U


def _ball_position(truth: Truth) -> float:
    shape = SHAPES["ball"]
    assert isinstance(shape, Ball)
    return 2 * float(np.linalg.norm(truth.centre("ball") - np.array(shape.middle_mm)))


def _maps(ids: Ids) -> Iterator[Line]:
    own = {"kind": "surface_profile", "zone": 0.4, "frame": "ABC"}
    for name in ("step", "chamfer", "ring", "hole 1"):
        yield Line("surface profile", {**own, "region": name}, of(Truth.profile, name))
    spec = {**own, "region": "step", "outside": 0.3}
    yield Line("surface profile, unequal", spec, of(Truth.profile, "step", 0.1), is_length=False)
    start, end = np.array([70.0, 65.0, 28.0]), np.array([100.0, 65.0, 28.0])
    section = {"kind": "line_profile", "region": "step", "point": [85, 65, 28], "normal": [0, 1, 0], "frame": "ABC"}
    known = of(Truth.line_profile, "step", start, end)
    yield Line("line profile", {**section, "zone": 0.4}, known)
    spec = {"kind": "machining_allowance", "frame": "ABC", "required": 0.0}
    for name in ("top", "right"):
        least = of(Truth.least_deviation, name)
        yield Line("machining allowance", {**spec, "feature": ids[name]}, least, is_length=False)
    spec = {"kind": "wall_thickness", "region": "step", "toward": "core", "least": 4.0}
    yield Line("wall thickness", spec, of(Truth.roof), is_length=False)
    yield Line("wall between", {**spec, "kind": "wall_between"}, of(Truth.roof), is_length=False)
    yield Line("core displacement", {"kind": "core_displacement", "region": "core", "most": 0.5}, core_known)
    for axis in ("x", "y", "overall"):
        spec = {"kind": "shrink", "axis": axis, "lower_percent": -2, "upper_percent": 2}
        yield Line("shrink", spec, of(Truth.shrink_percent), is_length=False)


def core_known(truth: Truth, judged: Characteristic) -> float | None:
    """Where the report says it was measured; nominal's own middle is the same where all of it is seen."""
    return None if judged.point_mm is None else truth.core_shift(judged.point_mm)

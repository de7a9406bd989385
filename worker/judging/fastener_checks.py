"""What else is looked at where a fastener sits: edge, depth of thread, drilled size, neighbours, larger sizes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan.fasteners import Fastener
from shared.threads import (
    LimitsUnknown,
    Standard,
    Strengths,
    Thread,
    needed_engagement,
    next_larger,
    percent_thread,
    rule_of_thumb_mm,
    tap_drill,
)
from shared.threads.practice import (
    EDGE_RULE,
    PERCENT_RULE,
    PERCENT_THREAD,
    SPACING_RULE,
    least_edge_mm,
    least_metal_mm,
    least_spacing_mm,
)
from worker.fasteners.cones import Clamp, Joint, overlap_spacing_mm, pressure_cone
from worker.fasteners.holes import nearest_edge
from worker.features.records import Feature, FeatureKind
from worker.fitting.records import RADIUS_INDEX
from worker.judging.fastener_metal import Metal, calm_mm
from worker.judging.measured import Measured
from worker.judging.verdicts import COVERAGE_FACTOR
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.seen import NotMeasured
from worker.records import Floats

MET, NOT_MET, NOT_PROVEN, NOT_MEASURED = "met", "not met", "not proven", "not measured"
NEIGHBOURS = 3  # nearest; farther ones decide nothing
PARALLEL_COSINE = 0.98  # within 11 degrees two screws work side by side
ONE_AXIS_SHARE = 0.5  # of the radius: axes nearer than this are steps of one hole
NEAR_EDGE_SPACINGS = 2.0  # of the samples: that near an edge a sample tells of the side beyond it
LARGER_SHOWN = 3  # sizes of each series
CONE_RULE = "VDI 2230-1, read in transcriptions: cones meet up to d_W + l_K tan(phi)"


@dataclass(frozen=True)
class Figure:
    """A length or share with its expanded uncertainty (k = 2)."""

    value: float
    U: float


@dataclass(frozen=True)
class Check:
    """One rule and what came of it; a figure and a need are mm, or percent where ``is_percent``."""

    name: str
    figure: Figure | None
    needed: float | None
    rule: str
    outcome: str
    is_percent: bool = False


@dataclass(frozen=True, eq=False)
class Sized:
    """A fastener as it sits on the piece.

    scanner_mm : standard uncertainty of a length;  least_mm : metal wanted, None for that of common practice
    """

    thread: Thread
    joint: Joint
    metal: Metal
    diameter: Figure
    scanner_mm: float
    least_mm: float | None


def outcome(figure: Figure, least: float) -> str:
    """Against a lower limit, with U on its side."""
    if figure.value - figure.U >= least:
        return MET
    return NOT_MET if figure.value + figure.U < least else NOT_PROVEN


def sized(line: Fastener, thread: Thread, metal: Metal, scanner_mm: float) -> Sized:
    """The fastener with the hole's own size; without a stated joint a hole below the thread's diameter is tapped."""
    element = metal.found.element
    radius_sigma = float(np.sqrt(element.covariance[RADIUS_INDEX, RADIUS_INDEX]))
    diameter = 2 * metal.bore.radius_mm
    by_size = Joint.TAPPED if diameter < thread.diameter_mm else Joint.THROUGH
    joint = by_size if line.joint is None else Joint(line.joint)
    spread = COVERAGE_FACTOR * float(np.hypot(2 * radius_sigma, scanner_mm))
    return Sized(thread, joint, metal, Figure(diameter, spread), scanner_mm, line.least)


def edge_figure(one: Sized, measured: Measured) -> Figure | None:
    """From the axis of the piece's hole to the nearest outside edge of the faces it opens into; None without one."""
    shape, element = one.metal.shape, one.metal.found.element
    if element.direction is None or measured.deviation is None:
        return None
    middle = one.metal.bore.origin_mm
    near = nearest_edge(middle, element.direction, shape.edges_mm)
    if near is None:
        return None
    distance, place, index = near
    way = place - middle
    way = way - (way @ element.direction) * element.direction
    way = way / max(float(np.linalg.norm(way)), 1e-12)
    moved, noise = _side_moved(measured, place, int(shape.edge_triangle[index]), way)
    axis = float(np.sqrt(max(float(way @ element.covariance_at(place) @ way), 0.0)))
    return Figure(distance + moved, COVERAGE_FACTOR * float(np.linalg.norm([axis, noise, one.scanner_mm])))


def depth_figure(one: Sized) -> Figure | None:
    """Length of the hole's wall on the piece; None where an end of it was not seen."""
    low, high = one.metal.ends
    if not (low.is_seen and high.is_seen):
        return None
    length = float(np.ptp(one.metal.shape.ends_mm)) + low.shift_mm + high.shift_mm
    return Figure(length, COVERAGE_FACTOR * float(np.linalg.norm([low.sigma_mm, high.sigma_mm, one.scanner_mm])))


def neighbours(one: Sized, measured: Measured) -> list[tuple[str, Figure | None, float]]:
    """Nearest parallel holes: id, spacing on the piece (None where not measured), and in nominal."""
    own = one.metal.shape.feature
    found = [(gap, feature) for feature in measured.features if (gap := _nominal_gap(own, feature)) is not None]
    found.sort(key=lambda pair: (pair[0], pair[1].id))
    return [(feature.id, _spacing(one, feature, measured), gap) for gap, feature in found[:NEIGHBOURS]]


def checks(line: Fastener, one: Sized, measured: Measured) -> list[Check]:
    """All checks in the order of the report."""
    d = one.thread.diameter_mm
    edge, beside = edge_figure(one, measured), neighbours(one, measured)
    rows = [_least_check("axis to the nearest outside edge", edge, least_edge_mm(d), EDGE_RULE)]
    if one.joint is Joint.TAPPED:
        rows += [_engagement(line, one), _percent(one)]
    for name, spacing, _ in beside:
        rows.append(_least_check(f"axis to axis of {name}", spacing, least_spacing_mm(d), SPACING_RULE))
    if line.clamp_length is not None and line.head_diameter is not None and edge is not None:
        clamp = Clamp(clamp_mm=line.clamp_length, head_mm=line.head_diameter, plate_mm=2 * edge.value)
        rows += _cones(one, clamp, beside)
    return rows


@dataclass(frozen=True)
class Larger:
    """A larger size in the same place: metal and edge distance that would be left, and whether both are kept."""

    thread: Thread
    metal: Figure
    metal_needed_mm: float
    edge: Figure | None
    edge_needed_mm: float
    outcome: str


def larger_sizes(one: Sized, metal: Figure, edge: Figure | None, standard: Standard) -> list[Larger]:
    """The next standard sizes, nearest first, up to the first that is not shown to keep metal and edge."""
    found: list[Larger] = []
    for thread in next_larger(one.thread, standard):
        left = Figure(metal.value - _growth_mm(one, thread), metal.U)
        needed = least_metal_mm(thread.diameter_mm) if one.least_mm is None else one.least_mm
        wanted = least_edge_mm(thread.diameter_mm)
        words = [outcome(left, needed), NOT_MEASURED if edge is None else outcome(edge, wanted)]
        word = next((bad for bad in (NOT_MET, NOT_MEASURED, NOT_PROVEN) if bad in words), MET)
        found.append(Larger(thread, left, needed, edge, wanted, word))
        if word != MET:
            break
    return found


def _growth_mm(one: Sized, thread: Thread) -> float:
    """By how much the radius of the hole grows: to the tap drill, or to the same clearance round the screw."""
    if one.joint is Joint.TAPPED:
        wanted = tap_drill(thread).diameter_mm
    else:
        wanted = thread.diameter_mm + max(one.diameter.value - one.thread.diameter_mm, 0.0)
    return max((wanted - one.diameter.value) / 2, 0.0)


def _least_check(name: str, figure: Figure | None, least: float, rule: str) -> Check:
    return Check(name, figure, least, rule, NOT_MEASURED if figure is None else outcome(figure, least))


def _engagement(line: Fastener, one: Sized) -> Check:
    """Depth that a thread could be cut to, against what the strengths need, or a rule of thumb."""
    needed, rule = rule_of_thumb_mm(one.thread).length_mm, rule_of_thumb_mm(one.thread).source
    if line.strength_internal_mpa is not None and line.strength_external_mpa is not None:
        found = needed_engagement(one.thread, Strengths(line.strength_internal_mpa, line.strength_external_mpa))
        if isinstance(found, LimitsUnknown):
            rule = f"{rule}; {found.reason}"
        else:
            needed = found.needed_mm
            rule = f"FED-STD-H28/2B, {found.classes} limits from memory, J {found.ratio:.2f}"
    return _least_check("depth of the hole for the thread", depth_figure(one), needed, rule)


def _percent(one: Sized) -> Check:
    low, high = PERCENT_THREAD
    value = percent_thread(one.thread, one.diameter.value)
    spread = value - percent_thread(one.thread, one.diameter.value + one.diameter.U)
    if value - spread >= low and value + spread <= high:
        word = MET
    else:
        word = NOT_MET if value + spread < low or value - spread > high else NOT_PROVEN
    return Check("percent of full thread the hole leaves", Figure(value, spread), low, PERCENT_RULE, word, True)


def _cones(one: Sized, clamp: Clamp, beside: list[tuple[str, Figure | None, float]]) -> list[Check]:
    """Whether the cone of pressure meets that of each neighbour, taken as alike."""
    if clamp.plate_mm < clamp.head_mm:
        return [Check("cone of pressure", None, None, "VDI 2230-1", "the head reaches beyond the edge")]
    cone = pressure_cone(one.joint, clamp)
    reach = overlap_spacing_mm(cone, clamp)
    rows = []
    for name, spacing, _ in beside:
        word = NOT_MEASURED
        if spacing is not None:
            apart = outcome(spacing, reach)
            word = {MET: "cones do not meet", NOT_MET: "cones meet", NOT_PROVEN: NOT_PROVEN}[apart]
        rows.append(Check(f"cone of {cone.angle_deg:.2f} deg to that of {name}", spacing, reach, CONE_RULE, word))
    return rows


def _side_moved(measured: Measured, place_mm: Floats, triangle: int, way: Floats) -> tuple[float, float]:
    """How far the surface beyond an edge lies farther out (mm, along ``way``) than nominal's, and its standard error.

    Infinitely unsure where it was not scanned.
    """
    samples, deviation = measured.samples, measured.deviation
    if deviation is None or triangle < 0:
        return 0.0, float("inf")
    face = measured.nominal.triangle_face[triangle]
    gap = np.linalg.norm(samples.points_mm - place_mm, axis=1)
    facing = samples.normals @ way
    is_near = (samples.face == face) & deviation.is_measured & (facing > 0.1)
    is_near &= gap <= NEAR_EDGE_SPACINGS * samples.spacing_mm
    rows = np.flatnonzero(is_near)
    if not len(rows):
        return 0.0, float("inf")
    return float((calm_mm(measured)[rows] / facing[rows]).mean()), float(deviation.sigma_mm[rows].max())


def _nominal_gap(own: Feature, other: Feature) -> float | None:
    """Spacing of two parallel holes' axes in nominal; None for what is no neighbour."""
    if other is own or other.kind is not FeatureKind.HOLE or own.direction is None or other.direction is None:
        return None
    if abs(float(own.direction @ other.direction)) < PARALLEL_COSINE or own.radius_mm is None:
        return None
    gap = float(np.linalg.norm(np.cross(other.point_mm - own.point_mm, own.direction)))
    return gap if gap > ONE_AXIS_SHARE * own.radius_mm else None


def _spacing(one: Sized, other: Feature, measured: Measured) -> Figure | None:
    """Spacing of the axes on the piece, at the height of this hole's middle."""
    found = measured.measured_feature(other)
    if isinstance(found, NotMeasured) or found.element.direction is None:
        return None
    middle, direction = one.metal.bore.origin_mm, one.metal.bore.direction
    there = _at_height(found, middle, direction)
    gap = there - middle
    length = float(np.linalg.norm(gap))
    way = gap / length
    covariance = one.metal.found.element.covariance_at(middle) + found.element.covariance_at(there)
    sigma = float(np.sqrt(max(float(way @ covariance @ way), 0.0)))
    return Figure(length, COVERAGE_FACTOR * float(np.hypot(sigma, one.scanner_mm)))


def _at_height(found: MeasuredFeature, middle_mm: Floats, direction: Floats) -> Floats:
    """Where the other axis passes the plane through a point square to ``direction``."""
    element = found.element
    if element.direction is None:
        raise ValueError("an axis has a direction")
    along = ((middle_mm - element.point_mm) @ direction) / (element.direction @ direction)
    placed: Floats = element.point_mm + along * element.direction
    return placed

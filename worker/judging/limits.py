"""What nominal is for each line of the plan, and the limits it is judged against; the scan has no say in either."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from shared.errors import PlanInvalid
from shared.plan import Angle, Clearance, Coaxiality, Distance, Plan, Position, Size, WallThickness
from shared.plan.fasteners import Fastener, FastenerLine, FastenerSites
from shared.plan.offsets import CavityVolume, SiblingOffset
from shared.plan.passages import RodPassage
from shared.plan.walls import RoomToRemove, WallBetween
from shared.tolerances.resolve import ResolvedLimits, resolve_limits
from worker.features.records import Feature, FeatureKind
from worker.judging.distances import angle_between, measured_length, reach_of
from worker.judging.kinds_of_fastener import least_wanted_mm, line_features, nominal_gaps
from worker.judging.kinds_of_fastener_sites import face_of
from worker.judging.measured import Measured
from worker.judging.mock_up_scene import drawn_scene
from worker.judging.moved import nominal_moved
from worker.judging.nominal_offsets import Misfit, nominal_offset
from worker.judging.nominal_ports import port_limits
from worker.judging.nominal_walls import room_of_nominal, wall_of_nominal
from worker.judging.piece_passage import nominal_gap_mm
from worker.measuring.seen import NotMeasured
from worker.records import Limits

COAXIAL_MM, COAXIAL_RAD = 1e-3, 1e-4  # CAD axes said to be one may lie this far apart


@dataclass(frozen=True)
class LineLimits:
    """nominal and limits in the line's unit; source and caution for the report."""

    nominal: float | None
    limits: Limits
    source: str | None = None
    caution: str | None = None


@dataclass(frozen=True)
class SizeLimits:
    """Least and largest size of a feature, mm."""

    lower: float
    upper: float


def limits_of(line: Any, plan: Plan, measured: Measured) -> LineLimits:
    """Nominal and limits of one line.

    Raises
    ------
    PlanInvalid
        If the line names what nominal does not have, or no limits apply to it.

    """
    special = _SPECIAL.get(line.kind)
    if special is not None:
        return special(line, plan, measured)
    upper = _UPPER[line.kind]
    return LineLimits(0.0, Limits(None, float(getattr(line, upper))))


def nominal_size_mm(feature: Feature, where: str) -> float:
    """Diameter of a hole, boss or sphere, width of a slot.

    Raises
    ------
    PlanInvalid
        If the feature has no size.

    """
    if feature.width_mm is not None:
        return feature.width_mm
    if feature.radius_mm is None or feature.kind is FeatureKind.CONE:
        raise unfit(where, f"{feature.id} has no diameter or width", "Pick a hole, boss, sphere or slot.")
    return 2 * feature.radius_mm


def size_limits(line: Position, feature: Feature, plan: Plan) -> SizeLimits:
    """Size limits that a bonus is taken from."""
    where = f"characteristic {line.id}"
    found = resolve_limits(line, nominal_size_mm(feature, where), plan)
    if found.lower is None or found.upper is None:
        raise unfit(where, "the bonus needs both size limits", "Give both deviations, or a fit.")
    return SizeLimits(found.lower, found.upper)


def _stated(nominal: float | None, found: ResolvedLimits) -> LineLimits:
    return LineLimits(nominal, Limits(found.lower, found.upper), found.source, found.caution)


def _size(line: Size, plan: Plan, measured: Measured) -> LineLimits:
    where = f"characteristic {line.id}"
    own = nominal_size_mm(measured.feature(line.feature, where), where)
    return _stated(own if line.nominal is None else line.nominal, resolve_limits(line, own, plan))


def _distance(line: Distance, plan: Plan, measured: Measured) -> LineLimits:
    where = f"characteristic {line.id}"
    picks = (line.first,) if line.second is None else (line.first, line.second)
    features = tuple(measured.feature(pick, where) for pick in picks)
    own = float(measured_length(line, features, [nominal_moved(feature) for feature in features])[0])
    return _stated(own if line.nominal is None else line.nominal, resolve_limits(line, own, plan))


def _angle(line: Angle, plan: Plan, measured: Measured) -> LineLimits:
    where = f"characteristic {line.id}"
    first = measured.feature(line.first, where)
    if line.second is None:
        if first.half_angle_rad is None:
            raise unfit(where, f"{first.id} is no cone", "Give a second feature to measure the angle to.")
        nominal, sides = float(np.degrees(2 * first.half_angle_rad)), [first]
    else:
        second = measured.feature(line.second, where)
        if first.direction is None or second.direction is None:
            raise unfit(where, "a sphere has no direction", "Pick planes, holes, bosses or cones.")
        nominal, sides = float(angle_between(first.direction[None], second.direction[None])[0]), [first, second]
    shorter = min(reach_of(feature, measured.nominal) for feature in sides)
    return _stated(nominal, resolve_limits(line, nominal, plan, shorter_side_mm=shorter))


def _coaxiality(line: Coaxiality, plan: Plan, measured: Measured) -> LineLimits:
    where = f"characteristic {line.id}"
    own = measured.feature(line.feature, where)
    datum = next(datum for datum in plan.datums if datum.letter == line.datum)
    axis = None if datum.feature is None else measured.feature(datum.feature, where)
    if axis is None or axis.ends_mm is None or own.ends_mm is None or axis.direction is None or own.direction is None:
        raise unfit(where, "coaxiality is between two axes", "Pick holes, bosses or cones for both.")
    aside = np.linalg.norm(np.cross(own.ends_mm - axis.point_mm, axis.direction), axis=1).max()
    turned = np.linalg.norm(np.cross(own.direction, axis.direction))
    if aside > COAXIAL_MM or turned > COAXIAL_RAD:
        raise unfit(where, f"{own.id} and datum {line.datum} are not coaxial in the CAD", "Use position instead.")
    return LineLimits(0.0, Limits(None, line.zone_diameter))


def _wall(line: WallThickness, _plan: Plan, _measured: Measured) -> LineLimits:
    """A grade is resolved at the wall's worst place, by the measuring function."""
    if line.grade is None:
        return LineLimits(None, Limits(line.least, None))
    return LineLimits(None, Limits(None, None))


def _wall_between(line: WallBetween, _plan: Plan, measured: Measured) -> LineLimits:
    found = wall_of_nominal(line.region, line.toward, measured)
    if isinstance(found, str):
        raise unfit(f"characteristic {line.id}", found, "Name two regions with a wall between them.")
    return LineLimits(found.least.wall_mm, Limits(line.least, None))


def _room(line: RoomToRemove, _plan: Plan, measured: Measured) -> LineLimits:
    found = room_of_nominal(line, measured)
    if isinstance(found, str):
        raise unfit(f"characteristic {line.id}", found, "Name regions with a wall between them and this one.")
    return LineLimits(found.least_mm, Limits(line.required, None))


def _rod_passage(line: RodPassage, _plan: Plan, measured: Measured) -> LineLimits:
    return LineLimits(nominal_gap_mm(line, measured), Limits(line.least, None))


def _allowance(line: Any, plan: Plan, measured: Measured) -> LineLimits:
    largest = float(np.ptp(measured.nominal.vertices_mm, axis=0).max())
    return _stated(None, resolve_limits(line, largest, plan))


def _port(line: Any, _plan: Plan, measured: Measured) -> LineLimits:
    found = port_limits(line, measured)
    if isinstance(found, NotMeasured):
        advice = "Name regions that are the inside of one port each, open at two ends; of siblings, two of a kind."
        raise unfit(f"characteristic {line.id}", found.reason, advice)
    return LineLimits(*found)


def _shrink(line: Any, _plan: Plan, _measured: Measured) -> LineLimits:
    return LineLimits(None, Limits(line.lower_percent, line.upper_percent))


def _fastener(line: Fastener, _plan: Plan, measured: Measured) -> LineLimits:
    where = f"characteristic {line.id}"
    _hole(measured.feature(line.feature, where), where)
    least, source = least_wanted_mm(line)
    return LineLimits(None, Limits(least, None), source)


def _fastener_line(line: FastenerLine, _plan: Plan, measured: Measured) -> LineLimits:
    features = line_features(line, measured)
    for feature in features:
        _hole(feature, f"characteristic {line.id}")
    return LineLimits(max(nominal_gaps(line, features)), Limits(None, line.most))


def _fastener_sites(line: FastenerSites, _plan: Plan, measured: Measured) -> LineLimits:
    if face_of(line, measured) is None:
        raise unfit(f"characteristic {line.id}", f"region {line.region} is no plane face", "Name one plane face.")
    wanted = None if line.required_count is None else float(line.required_count)
    return LineLimits(None, Limits(wanted, None))


def _hole(feature: Feature, where: str) -> None:
    if feature.kind is not FeatureKind.HOLE:
        raise unfit(where, f"{feature.id} is no hole", "Pick the hole of the screw.")


def _clearance(line: Clearance, plan: Plan, measured: Measured) -> LineLimits:
    nominal = float(drawn_scene(line, plan, measured).swept.clearance_mm.min())
    return LineLimits(nominal, Limits(line.least, None))


def _offset(line: Any, plan: Plan, measured: Measured) -> LineLimits:
    """Of offsets, depths and volumes: limits about nominal, or those the line gives outright."""
    found = nominal_offset(line, measured)
    if isinstance(found, Misfit):
        raise unfit(f"characteristic {line.id}", found.what, found.advice)
    if isinstance(line, CavityVolume):
        return LineLimits(found, Limits(line.lower_cc, line.upper_cc))
    if isinstance(line, SiblingOffset) or getattr(line, "most", None) is not None:
        return LineLimits(found, Limits(None, line.most))
    return _stated(found if line.nominal is None else line.nominal, resolve_limits(line, found, plan))


def unfit(where: str, what: str, advice: str) -> PlanInvalid:
    """A line that asks of a feature what it cannot have."""
    return PlanInvalid(f"{where}: {what}.", advice=advice, faults=[f"{where}: {what}"])


_SPECIAL: Mapping[str, Callable[[Any, Plan, Measured], LineLimits]] = {
    "size": _size,
    "distance": _distance,
    "angle": _angle,
    "coaxiality": _coaxiality,
    "wall_thickness": _wall,
    "wall_between": _wall_between,
    "room_to_remove": _room,
    "rod_passage": _rod_passage,
    "machining_allowance": _allowance,
    "shrink": _shrink,
    "port_area": _port,
    "port_volume": _port,
    "port_sibling": _port,
    "section_offset": _offset,
    "pocket_depth": _offset,
    "cavity_volume": _offset,
    "sibling_offset": _offset,
    "clearance": _clearance,
    "fastener": _fastener,
    "fastener_line": _fastener_line,
    "fastener_sites": _fastener_sites,
}
_UPPER: Mapping[str, str] = {
    "flatness": "zone",
    "straightness": "zone",
    "roundness": "zone",
    "cylindricity": "zone",
    "parallelism": "zone",
    "perpendicularity": "zone",
    "angularity": "zone",
    "position": "zone_diameter",
    "circular_runout": "zone",
    "total_runout": "zone",
    "surface_profile": "zone",
    "line_profile": "zone",
    "core_displacement": "most",
}

"""Metal round the hole of a fastener, and gaps along a row of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import Plan
from shared.plan.fasteners import Fastener, FastenerLine
from shared.threads import Standard, parse_thread
from shared.threads.practice import METAL_RULE, least_metal_mm
from worker.exhibits import Column, Exhibits, Mark, Table
from worker.features.records import Feature
from worker.fitting.records import RADIUS_INDEX
from worker.judging.distances import distance_between
from worker.judging.fastener_checks import Figure, Larger, Sized, checks, edge_figure, larger_sizes, sized
from worker.judging.fastener_exhibits import fastener_exhibits, metal_line_mm, nominal_exhibits
from worker.judging.fastener_metal import (
    Metal,
    metal_round_hole,
    metal_sigma_mm,
    names_of,
    nominal_metal,
    unseen_near,
)
from worker.judging.finding import Finding, Unmeasured, plain_finding, row
from worker.judging.kinds_of_size import all_measured, samples_of, unmeasured_feature
from worker.judging.measured import Measured
from worker.judging.moved import moved, nominal_moved
from worker.judging.propagation import Departures
from worker.judging.seen_share import CONFORM_SHARE
from worker.judging.sources import RESOLUTION, SCANNER, TEMPERATURE, fit_input, length_inputs, strain_input
from worker.judging.uncertainty import scanner_sigma_mm
from worker.judging.verdicts import COVERAGE_FACTOR
from worker.measuring.seen import NotMeasured
from worker.records import Floats

CAUTION = (
    "Fasteners carry load: metal measured here says nothing of cracks, porosity or strength. The joint's designer, "
    "local codes and licensed practice decide; the rules of the trade beside the figures decide nothing."
)


def least_wanted_mm(line: Fastener) -> tuple[float, str | None]:
    """Least metal round the hole, and where the figure comes from if not from the plan."""
    if line.least is not None:
        return line.least, None
    return least_metal_mm(parse_thread(line.thread).diameter_mm), METAL_RULE


def fastener(line: Fastener, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least metal round the hole over its depth, from its fitted wall square to its axis.

    Surfaces the hole opens into are no side of it.  What was not scanned is no metal: where an unseen surface may
    lie nearer than what was found, the line cannot pass.
    """
    feature = measured.feature(line.feature, f"characteristic {line.id}")
    shape, nominal = nominal_metal(feature, measured)
    found = measured.measured_feature(feature)
    if isinstance(found, NotMeasured):
        return _unmeasured(found, feature, measured)
    metal = metal_round_hole(feature, found, measured)
    if metal.actual.is_open.any():
        return _open(line, metal, plan, measured)
    if not metal.is_seen.any():
        reason = f"no surface round {feature.id} was scanned"
        return Unmeasured(reason, point_mm=shape.feature.point_mm, exhibits=_stated(feature, measured), caution=CAUTION)
    at = _least_seen(metal)
    value = float(metal.actual.metal_mm[at])
    stated = float(nominal.metal_mm[nominal.is_found].min()) if nominal.is_found.any() else None
    return _found(line, metal, (value, at, stated), plan, measured)


def _found(
    line: Fastener, metal: Metal, least: tuple[float, tuple[int, int], float | None], plan: Plan, measured: Measured
) -> Finding:
    """From the least metal found to the finding.

    least : metal on the piece, its row and column, and nominal's own least
    """
    value, at, stated = least
    budget = metal_sigma_mm(metal, *at, plan, measured)
    U_mm = COVERAGE_FACTOR * float(np.linalg.norm(list(budget.values())))
    one = sized(line, parse_thread(line.thread), metal, scanner_sigma_mm(plan))
    looked = _looked(one, Figure(value, U_mm), measured)
    any_way = float(metal.actual.any_way_mm[metal.is_seen].min())
    wanted, _ = least_wanted_mm(line)
    ends = metal_line_mm(metal, *at)
    return plain_finding(
        value,
        budget,
        dof={"fit of the hole": metal.found.element.dof},
        point_mm=ends[0],
        details={
            "toward": metal.names.names[int(metal.actual.labels[at[0]])],
            "far_point_mm": row(ends[1]),
            "height_from_middle_mm": float(metal.actual.heights_mm[at[1]]),
            "length_in_any_direction_mm": any_way,
            "hole_diameter_mm": one.diameter.value,
            "joint": one.joint.value,
            **_largest(looked),
        },
        sample_mask=samples_of(metal.shape.feature, measured),
        gap=_gap(metal, value, any_way, (wanted, U_mm)),
        nominal=stated,
        exhibits=fastener_exhibits(line, metal, U_mm, checks(line, one, measured), looked),
        caution=CAUTION,
    )


def _least_seen(metal: Metal) -> tuple[int, int]:
    """Row and column of the least metal whose far surface was scanned."""
    flat = int(np.argmin(np.where(metal.is_seen, metal.actual.metal_mm, np.inf)))
    place = np.unravel_index(flat, metal.is_seen.shape)
    return int(place[0]), int(place[1])


def _gap(metal: Metal, value: float, any_way: float, limit: tuple[float, float]) -> str | None:
    """Why it may not pass: a surface that was not seen, or that leaves less metal in another direction."""
    wanted, U_mm = limit
    poor = [name for name, share in unseen_near(metal, value).items() if share < CONFORM_SHARE]
    if poor:
        return f"{', '.join(poor)} near the hole {'was' if len(poor) == 1 else 'were'} not scanned enough"
    if any_way - U_mm < wanted:
        return "in another direction than square to the hole's axis the metal is less"
    return None


def _looked(one: Sized, metal: Figure, measured: Measured) -> list[Larger]:
    edge = edge_figure(one, measured)
    return [size for standard in Standard for size in larger_sizes(one, metal, edge, standard)]


def _largest(looked: list[Larger]) -> dict[str, str]:
    """The largest size of each series that keeps metal and edge; "none" where the next does not."""
    kept = dict.fromkeys(Standard, "none")
    for size in looked:
        if size.outcome == "met":
            kept[size.thread.standard] = size.thread.designation
    return {f"largest_{standard.value}_that_keeps_metal_and_edge": name for standard, name in kept.items()}


def _open(line: Fastener, metal: Metal, plan: Plan, measured: Measured) -> Finding:
    """A hole that is open to one side: no metal there."""
    column = int(np.flatnonzero(metal.actual.is_open)[0])
    height = float(metal.actual.heights_mm[column])
    radius_sigma = float(np.sqrt(metal.found.element.covariance[RADIUS_INDEX, RADIUS_INDEX]))
    nominal = 0.0 if metal.nominal.is_open.any() else float(metal.nominal.metal_mm.min(initial=np.inf))
    one = sized(line, parse_thread(line.thread), metal, scanner_sigma_mm(plan))
    return plain_finding(
        0.0,
        {"fit of the hole": radius_sigma, "scanner": scanner_sigma_mm(plan)},
        point_mm=metal.bore.origin_mm + height * metal.bore.direction,
        details={"opens_at_height_from_middle_mm": height, "hole_diameter_mm": one.diameter.value},
        sample_mask=samples_of(metal.shape.feature, measured),
        nominal=nominal if np.isfinite(nominal) else None,
        exhibits=fastener_exhibits(line, metal, 0.0, checks(line, one, measured), ()),
        caution=f"The hole opens into another surface. {CAUTION}",
    )


def _stated(feature: Feature, measured: Measured) -> Exhibits:
    return nominal_exhibits(names_of(measured).names, nominal_metal(feature, measured)[1])


def _unmeasured(found: NotMeasured, feature: Feature, measured: Measured) -> Unmeasured:
    """Nothing of the piece, but what the CAD has."""
    plain = unmeasured_feature(found, feature, measured)
    return Unmeasured(
        plain.reason,
        point_mm=plain.point_mm,
        sample_mask=plain.sample_mask,
        exhibits=_stated(feature, measured),
        caution=CAUTION,
    )


@dataclass(frozen=True, eq=False)
class _Pair:
    """Two neighbours of a row, by their places in it."""

    first: int
    second: int


def line_pairs(line: FastenerLine) -> list[_Pair]:
    """Neighbours in order; the last and the first too, on a closed line."""
    count = len(line.features)
    pairs = [_Pair(k, k + 1) for k in range(count - 1)]
    return [*pairs, _Pair(count - 1, 0)] if line.closed else pairs


def line_features(line: FastenerLine, measured: Measured) -> tuple[Feature, ...]:
    """The holes of the row."""
    return tuple(measured.feature(pick, f"characteristic {line.id}") for pick in line.features)


def nominal_gaps(line: FastenerLine, features: tuple[Feature, ...]) -> list[float]:
    """Gaps (pairs) between neighbours in the CAD."""
    elements = [nominal_moved(feature) for feature in features]
    return [
        float(distance_between((features[p.first], features[p.second]), (elements[p.first], elements[p.second]))[0])
        for p in line_pairs(line)
    ]


def fastener_line(line: FastenerLine, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Largest distance between the axes of neighbours on the piece."""
    features = line_features(line, measured)
    found = all_measured(features, measured)
    if isinstance(found, Unmeasured):
        return found
    pairs = line_pairs(line)
    names = [f"fit of {feature.id}" for feature in features]

    def gaps(departures: Departures) -> Floats:
        elements = [moved(one.element, departures[name]) for one, name in zip(found, names, strict=True)]
        apart = [
            distance_between((features[p.first], features[p.second]), (elements[p.first], elements[p.second]))
            for p in pairs
        ]
        stretched: Floats = np.stack(apart) * (1 + departures[TEMPERATURE][:, 0])
        return stretched

    def largest(departures: Departures) -> Floats:
        widest: Floats = np.max(gaps(departures), axis=0)
        return widest + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    inputs = [fit_input(one, name) for one, name in zip(found, names, strict=True)]
    inputs += [strain_input(measured), *length_inputs(plan, measured)]
    now = gaps({entry.name: np.zeros((1, len(entry.covariance))) for entry in inputs})[:, 0]
    widest = pairs[int(np.argmax(now))]
    ends = (features[widest.first], features[widest.second])
    return Finding(
        inputs=tuple(inputs),
        model=largest,
        least=0.0,
        point_mm=(ends[0].point_mm + ends[1].point_mm) / 2,
        details={"between": f"{ends[0].id} and {ends[1].id}"},
        sample_mask=np.logical_or.reduce([samples_of(feature, measured) for feature in features]),
        exhibits=_line_exhibits(line, features, now),
        caution=CAUTION,
    )


def _line_exhibits(line: FastenerLine, features: tuple[Feature, ...], gaps_mm: Floats) -> Exhibits:
    columns = (Column("from"), Column("to"), Column("gap, piece", "mm"), Column("CAD", "mm"))
    rows = [
        (features[p.first].id, features[p.second].id, float(gap), stated)
        for p, gap, stated in zip(line_pairs(line), gaps_mm, nominal_gaps(line, features), strict=True)
    ]
    places = [feature.point_mm for feature in features]
    track = np.array([*places, places[0]] if line.closed else places)
    return Exhibits(
        tables=(Table("Gaps along the line", columns, tuple(rows)),), marks=(Mark("line of fasteners", track),)
    )

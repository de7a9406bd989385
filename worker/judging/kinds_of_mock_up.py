"""Clearance of bought-in parts on the piece, standing or moving."""

from __future__ import annotations

import numpy as np

from shared.plan import Clearance, Plan
from worker.judging.finding import Finding, Unmeasured, row
from worker.judging.measured import Measured
from worker.judging.mock_up_exhibits import exhibits_of
from worker.judging.mock_up_scene import Scenes, piece_mesh, scenes
from worker.judging.mock_up_seen import (
    Worst,
    gap_reason,
    near_place,
    nearest_sample,
    noise_share_mm,
    seen_mask,
    worst_place,
)
from worker.judging.placing import PartAt
from worker.judging.propagation import Departures, Input
from worker.judging.sources import ALIGNMENT, TEMPERATURE, fit_input, length_inputs
from worker.judging.uncertainty import UNIFORM, alignment_sigma_mm, facet_sigma_mm
from worker.judging.verdicts import COVERAGE_FACTOR
from worker.measuring.measured_feature import MeasuredFeature
from worker.mockup.distances import Gap
from worker.mockup.volume import interference_volume
from worker.records import Floats

NOISE, FACETS, BODY, BETWEEN = "scan noise", "facets", "bought-in part", "between positions"
SEAT_MM = 0.05  # a part this near to nothing from the piece it is placed on most likely meets its own seat
CAUTION = (
    "Clearances grow and shrink with heat, load and valve float: check with clay or gauges on the assembled engine."
)


def clearance(line: Clearance, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least clearance of placed parts over their motion; below nothing it is how deep they interfere.

    The piece is the surface as scanned: samples moved by their deviation, each calmed by its neighbours, and single
    noisy samples taken out of the least as for walls.  The part is as its file has it.
    """
    found = scenes(line, plan, measured)
    if isinstance(found, Unmeasured):
        return found
    worst = worst_place(found)
    near = None if found.is_counted is None else near_place(found, worst, measured)
    value = worst.gap.clearance_mm + noise_share_mm(near, worst, measured)
    gradients = _gradients(found, worst)
    inputs = (
        *(fit_input(_feature(found, name), _fit_name(name)) for name in gradients),
        *_single_inputs(found, worst, plan, measured),
    )

    def model(departures: Departures) -> Floats:
        total = np.full(len(next(iter(departures.values()))), value)
        for name, values in departures.items():
            total = total + values @ by_input.get(name, np.ones(values.shape[1]))
        return total

    by_input = {_fit_name(name): gradient for name, gradient in gradients.items()}
    return Finding(
        inputs=inputs,
        model=model,
        nominal=float(found.drawn.swept.clearance_mm.min()),
        point_mm=worst.second_mm,
        details=_details(found, worst, value),
        sample_mask=seen_mask(near, found, measured),
        gap=gap_reason(line, found, worst, near, measured),
        exhibits=exhibits_of(line, found, (model, inputs)),
        caution=CAUTION,
    )


def _fit_name(feature: str) -> str:
    return f"fit of {feature}"


def _feature(found: Scenes, name: str) -> MeasuredFeature:
    parts = (*found.parts, *(() if found.against is None else (found.against,)))
    features: dict[str, MeasuredFeature] = {key: one for part in parts for key, one in part.found.items()}
    return features[name]


def _gradients(found: Scenes, worst: Worst) -> dict[str, Floats]:
    """By feature (8,): how the clearance follows the feature's freedoms; a feature both sides sit on moves both.

    A path goes along with the part that moves on it, and takes the others with it.
    """
    carrier, mover = found.parts[0], found.parts[worst.body]
    total: dict[str, Floats] = {}
    _add(total, carrier, _row(worst.first_mm, worst.direction))
    if worst.body > 0:
        path = found.actual.path
        back = None if path is None else path.at(worst.position).inverse()
        first = worst.first_mm if back is None else back.apply(worst.first_mm)
        direction = worst.direction if back is None else back.turn(worst.direction)
        _add(total, carrier, -_row(first, direction))
        _add(total, mover, _row(first, direction))
    if found.against is not None:
        _add(total, found.against, -_row(worst.second_mm, worst.direction))
    return total


def _row(point_mm: Floats, direction: Floats) -> Floats:
    """(6,) how far a point goes along a direction under a small motion."""
    return np.concatenate([np.cross(point_mm, direction), direction])


def _add(total: dict[str, Floats], part: PartAt, motion: Floats) -> None:
    for name, way in part.ways.items():
        gradient = np.concatenate([motion @ way, np.zeros(2)])
        total[name] = total.get(name, np.zeros(8)) + gradient


def _single_inputs(found: Scenes, worst: Worst, plan: Plan, measured: Measured) -> tuple[Input, ...]:
    """Sources that add to the clearance as it stands, mm."""
    parts = [found.parts[worst.body], *(() if found.against is None else (found.against,))]
    own = sum((part.placed.expanded_uncertainty or 0.0) ** 2 for part in parts) ** 0.5 / COVERAGE_FACTOR
    bound = float(found.actual.swept.clearance_mm.min() - found.actual.swept.bound_mm)
    budget = {
        BODY: own,
        BETWEEN: UNIFORM * bound,
        FACETS: _facets_mm(found, worst, measured),
        TEMPERATURE: measured.strain_sigma * _lever_mm(parts, worst),
    }
    is_on_piece = [part.is_on_piece for part in parts] + ([True] if found.against is None else [])
    if any(is_on_piece) and not all(is_on_piece):
        at = alignment_sigma_mm(measured.alignment, worst.second_mm[None], worst.direction[None])
        budget[ALIGNMENT] = float(at[0])
    if found.against is None and measured.deviation is not None:
        budget[NOISE] = float(measured.deviation.sigma_mm[nearest_sample(worst, measured)])
    singles = tuple(Input.single(name, sigma) for name, sigma in budget.items())
    return (*singles, *length_inputs(plan, measured)) if any(is_on_piece) else singles


def _lever_mm(parts: list[PartAt], worst: Worst) -> float:
    """From the farthest feature that holds the parts to the place."""
    places = [found.element.point_mm for part in parts for found in part.found.values()]
    return max((float(np.linalg.norm(place - worst.second_mm)) for place in places), default=0.0)


def _facets_mm(found: Scenes, worst: Worst, measured: Measured) -> float:
    """Standard uncertainty of facets that stand for curved surfaces, of both sides."""
    gap, lengths = worst.gap, []
    if gap.first_triangle >= 0:
        lengths.append(found.actual.movers[worst.body][0].sagitta_mm(gap.first_triangle))
    if gap.second_triangle >= 0:
        lengths.append(_second_sagitta_mm(found, gap, measured))
    sigmas = [UNIFORM * length for length in lengths]
    if found.against is None:
        facets = facet_sigma_mm(measured.nominal, measured.samples)
        sigmas.append(float(facets[nearest_sample(worst, measured)]))
    return float(np.linalg.norm(sigmas))


def _second_sagitta_mm(found: Scenes, gap: Gap, measured: Measured) -> float:
    """Of what is cleared; of the piece by nominal's facets there, for those of a scan lean with its noise."""
    target, triangle = found.actual.target, gap.second_triangle
    if found.against is not None:
        return target.whole.sagitta_mm(triangle)
    own = triangle if gap.clearance_mm < 0 or target.surface is target.whole else int(target.surface.source[triangle])
    drawn = piece_mesh(measured, is_drawn=True).mesh
    at = int(np.searchsorted(drawn.source, target.whole.source[own]))
    return drawn.sagitta_mm(min(at, len(drawn.source) - 1))


def _details(found: Scenes, worst: Worst, value: float) -> dict[str, float | str | tuple[float, ...] | None]:
    scene = found.actual
    details: dict[str, float | str | tuple[float, ...] | None] = {
        "part": found.parts[worst.body].placed.name,
        "nearest_on_part_mm": row(worst.first_mm),
        "nearest_on_other_mm": row(worst.second_mm),
    }
    if scene.path is not None:
        is_turn = scene.path.point_mm is not None
        details["position_degrees" if is_turn else "position_mm"] = (
            float(np.degrees(worst.position)) if is_turn else worst.position
        )
        details["bound_between_positions_mm"] = scene.swept.bound_mm
        details["position_count"] = float(len(scene.swept.positions))
    if abs(value) < SEAT_MM and found.against is None and found.parts[worst.body].is_on_piece:
        details["note"] = "it touches what it sits on: name a region that leaves that out, and its rim"
    if value < 0:
        T_target = scene.T_piece_target.inverse() @ scene.moved(worst.body, worst.position)
        volume = interference_volume(scene.movers[worst.body][0], scene.target.whole, T_target)
        details["interference_volume_mm3"] = None if volume is None else volume.mm3
        details["volume_by"] = "not found: one of the bodies is not closed" if volume is None else volume.by
        details["depth_means"] = "how deep the deepest point of either surface lies in the other"
    return details

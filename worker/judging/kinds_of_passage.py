"""The passage of a straight rod through the piece."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import Plan
from shared.plan.passages import RodPassage
from worker.datums.records import MeasuringFrame, NoFrame
from worker.judging.finding import Finding, Unmeasured, row
from worker.judging.measured import Measured
from worker.judging.passage_exhibits import PassageView, exhibits_of, place_words
from worker.judging.passage_moves import Moves, moves_of
from worker.judging.piece_passage import (
    Passage,
    Seen,
    nominal_gap_mm,
    passage_of,
    reach_of,
    rod_of,
    seen_near,
    why_not_shown,
)
from worker.judging.propagation import Departures, Input, Model
from worker.judging.sources import (
    ALIGNMENT,
    RESOLUTION,
    SCANNER,
    TEMPERATURE,
    frame_input,
    length_inputs,
    strain_input,
)
from worker.judging.uncertainty import facet_sigma_mm
from worker.passages.clearance import clearance
from worker.passages.records import Clearance, Touch
from worker.passages.skin import Skin
from worker.records import Floats

NOISE, FACETS = "scan noise", "facets of nominal"
CAUTION = (
    "A push rod bends and whips under load, and its passage may carry oil or pressure: leave running clearance beyond "
    "this figure, and turn the assembled engine over by hand with a rod in place."
)


@dataclass(frozen=True, eq=False)
class _Found:
    """What was found of one passage; lengths in the pose's frame."""

    passage: Passage
    frame: MeasuringFrame
    skin: Skin
    clearance: Clearance
    seen: Seen


def rod_passage(line: RodPassage, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least gap round the rod wanted, over its whole length and travel: clearance of its axis less its radius.

    Where the axis itself goes through material nothing passes: the gap is told as that of a rod of no
    thickness, minus half of what is wanted, and the place is named.
    """
    frame = measured.frame(line.frame, plan)
    if isinstance(frame, NoFrame):
        return Unmeasured(frame.reason, caution=CAUTION)
    passage = passage_of(line, rod_of(line).placed(frame.T_frame_pose.inverse()), measured)
    seen = seen_near(passage)
    skin = passage.seen_skin(reach_of(passage))
    cleared = clearance(skin, passage.rod)
    if cleared is None or seen.share == 0.0:
        return Unmeasured("the scan shows nothing of the surface near the rod", sample_mask=seen.is_near)
    found = _Found(passage, frame, skin, cleared, seen)
    inputs, model = _uncertain(found, plan, measured)
    moves = moves_of(line, passage, frame, measured)
    view = PassageView(line, found.passage, cleared, skin, frame, moves, nominal_gap_mm(line, measured), seen)
    return Finding(
        inputs=inputs,
        model=model,
        point_mm=frame.T_frame_pose.apply(cleared.first.surface_mm),
        details=_details(found, moves, measured),
        sample_mask=seen.is_near,
        gap=why_not_shown(seen, passage.radius_mm, line.least),
        frame=frame.name,
        exhibits=exhibits_of(view, inputs, model, measured),
        caution=CAUTION,
    )


def _uncertain(found: _Found, plan: Plan, measured: Measured) -> tuple[tuple[Input, ...], Model]:
    """The gap as the least over the places that may touch, as the frame, the strain and the noise move them."""
    cleared, frame, radius = found.clearance, found.frame, found.passage.radius_mm
    gaps = np.array([touch.distance_mm for touch in cleared.touches]) - radius
    if cleared.is_cut:
        gaps = np.array([-radius])
    rows = np.array([_by_frame(touch, frame) for touch in cleared.touches])
    levers = np.array([_by_strain(touch, frame) for touch in cleared.touches])
    inputs = (
        frame_input(frame),
        strain_input(measured),
        *length_inputs(plan, measured),
        Input.single(NOISE, _sigma(found, measured.deviation.sigma_mm if measured.deviation else np.zeros(1))),
        Input.single(FACETS, _sigma(found, facet_sigma_mm(measured.nominal, measured.samples))),
    )

    def gap(departures: Departures) -> Floats:
        by_place = gaps + departures[ALIGNMENT] @ rows.T + departures[TEMPERATURE] * levers
        least: Floats = by_place.min(axis=1)
        return least + sum(departures[name][:, 0] for name in (SCANNER, RESOLUTION, NOISE, FACETS))

    return inputs, gap


def _by_frame(touch: Touch, frame: MeasuringFrame) -> Floats:
    """Change (6,) of a clearance with the turn and the shift of the piece in its frame."""
    lever = frame.T_frame_pose.apply(touch.surface_mm) - frame.centre_mm
    toward = frame.T_frame_pose.turn(touch.direction)
    change: Floats = -np.concatenate([np.cross(lever, toward), toward])
    return change


def _by_strain(touch: Touch, frame: MeasuringFrame) -> float:
    """Change of a clearance with the strain of the piece."""
    lever = frame.T_frame_pose.apply(touch.surface_mm) - frame.centre_mm
    return -float(lever @ frame.T_frame_pose.turn(touch.direction))


def _sigma(found: _Found, by_sample: Floats) -> float:
    """Standard uncertainty where the rod touches first; an edge rests on two faces."""
    touch, skin = found.clearance.first, found.skin
    corners = skin.corner_sample[touch.triangle][touch.barycentric > 0]
    is_edge = bool(((touch.barycentric == 0.0) & (skin.mate[touch.triangle] >= 0)).any())
    return float(by_sample[corners].max()) * (float(np.sqrt(2.0)) if is_edge else 1.0)


def _details(found: _Found, moves: Moves, measured: Measured) -> dict[str, float | str | tuple[float, ...] | None]:
    cleared, passage, first = found.clearance, found.passage, found.clearance.first
    place = found.frame.T_frame_pose.apply(first.surface_mm)
    told = "goes through material at" if cleared.is_cut else "touches first at"
    return {
        "wanted_diameter_mm": 2 * passage.radius_mm,
        "largest_diameter_mm": 2 * cleared.least_mm,
        "touch": f"the {'axis' if cleared.is_cut else 'rod'} {told} {place_words(first, found.skin, measured)}",
        "touch_point_mm": row(place),
        "touch_along_rod_mm": float(passage.rod.length_mm * first.share),
        "touch_travel_share": None if passage.rod.is_still else first.travel,
        "seen_share": found.seen.share,
        **moves.details,
    }

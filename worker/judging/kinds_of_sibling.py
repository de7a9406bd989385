"""How differently two like features sit off their own nominal places."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from shared.plan import Plan
from shared.plan.offsets import SiblingOffset
from worker.datums.records import MeasuringFrame, NoFrame
from worker.features.records import Feature
from worker.judging.finding import Finding, Unmeasured, row
from worker.judging.kinds_of_place import place_model, places_of
from worker.judging.kinds_of_size import FIT, all_measured, samples_of
from worker.judging.measured import Measured
from worker.judging.nominal_offsets import mirrored, nominal_section, siblings, told
from worker.judging.offset_exhibits import sibling_exhibits
from worker.judging.offset_refusals import fitting
from worker.judging.piece_section import PieceSection, offset_model, piece_section, section_samples
from worker.judging.propagation import Departures, Input, length_by_chance, propagate
from worker.judging.seen_share import gap_text
from worker.judging.sources import (
    RESOLUTION,
    SCANNER,
    fit_input,
    frame_input,
    length_inputs,
    strain_input,
)
from worker.records import Bools, Floats, Ints

Offsets = Callable[[Departures], Floats]
PLACE, SECTION = "its own nominal place", "where nominal has it in its section"


@dataclass(frozen=True, eq=False)
class _Pair:
    """Offsets (n, p, 3) of both from their own places, the sibling's mirrored, in the order of the feature's ends."""

    own: Offsets
    other: Offsets

    def apart(self, departures: Departures) -> Floats:
        """Difference (n, p, 3)."""
        difference: Floats = self.own(departures) - self.other(departures)
        return difference


@dataclass(frozen=True, eq=False)
class _Compared:
    """Both siblings measured.

    inputs : of their offsets, but for what is common to all lengths
    seen_share : the lesser of their sections' outlines, None without sections
    """

    pair: _Pair
    frame: MeasuringFrame
    inputs: tuple[Input, ...]
    sample_mask: Bools
    seen_share: float | None = None


def sibling_offset(line: SiblingOffset, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Largest difference, over the length of an axis, between the offsets of two features from their own places.

    Both are taken through one frame, so that what moves both alike drops out; with a mirror, a shift of the
    frame along that axis does not.  From sections of the piece's own, nearly all of the frame drops out.
    """
    features = fitting(siblings(line, measured), line.id)
    found = (_by_sections if line.section_lines else _by_places)(line, features, plan, measured)
    if isinstance(found, Unmeasured):
        return found
    pair, frame = found.pair, found.frame

    def value(departures: Departures) -> Floats:
        apart = pair.apart(departures)
        length: Floats = np.abs(told(apart.reshape(-1, 3), line)).reshape(len(apart), -1).max(axis=1)
        return length + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    inputs = (*found.inputs, frame_input(frame), strain_input(measured), *length_inputs(plan, measured))
    offsets, sure = _offsets(pair, inputs, line)
    return Finding(
        inputs=inputs,
        model=value,
        least=0.0,
        by_chance=length_by_chance(pair.apart, inputs) if line.direction is None else 0.0,
        point_mm=features[0].point_mm,
        details={"mirror": line.mirror.value, **_details(features, offsets)},
        sample_mask=found.sample_mask,
        gap=None if found.seen_share is None else gap_text(found.seen_share),
        frame=frame.name,
        exhibits=sibling_exhibits(features, offsets, sure, PLACE if found.seen_share is None else SECTION),
    )


def _by_places(
    line: SiblingOffset, features: tuple[Feature, Feature], plan: Plan, measured: Measured
) -> _Compared | Unmeasured:
    """Each off its own nominal place."""
    frame = measured.frame(line.frame, plan)
    if isinstance(frame, NoFrame):
        return Unmeasured(frame.reason, point_mm=features[0].point_mm)
    found = all_measured(features, measured)
    if isinstance(found, Unmeasured):
        return found
    first, second = (
        _named(place_model(feature, one, frame, measured), feature, (FIT,))
        for feature, one in zip(features, found, strict=True)
    )
    order = _like_ends(line, features)
    return _Compared(
        pair=_Pair(first, lambda by: mirrored(second(by)[:, order], line.mirror)),
        frame=frame,
        inputs=tuple(fit_input(one, _of(FIT, one.feature)) for one in found),
        sample_mask=np.logical_or.reduce([samples_of(feature, measured) for feature in features]),
    )


def _by_sections(
    line: SiblingOffset, features: tuple[Feature, Feature], plan: Plan, measured: Measured
) -> _Compared | Unmeasured:
    """Each off the middle of its own section, as nominal has it."""
    sections: list[PieceSection] = []
    for one in line.section_lines:
        section = piece_section(one, fitting(nominal_section(one, measured), line.id), plan, measured)
        if isinstance(section, Unmeasured):
            return section
        sections.append(section)
    first, second = (
        _named(_departure(section), feature, tuple(entry.name for entry in section.inputs))
        for section, feature in zip(sections, features, strict=True)
    )
    return _Compared(
        pair=_Pair(first, lambda by: mirrored(second(by), line.mirror)),
        frame=sections[0].frame,
        inputs=tuple(
            replace(entry, name=_of(entry.name, feature))
            for section, feature in zip(sections, features, strict=True)
            for entry in section.inputs
        ),
        sample_mask=np.logical_or.reduce([section_samples(section.nominal, measured) for section in sections]),
        seen_share=min(section.seen.share for section in sections),
    )


def _departure(section: PieceSection) -> Offsets:
    """Departure (n, 1, 3) of a section's offset from nominal's."""
    model = offset_model(section)
    return lambda departures: (model(departures) - section.nominal.offset_mm)[:, None]


def _named(model: Offsets, feature: Feature, names: tuple[str, ...]) -> Offsets:
    """The same with those of its inputs that are the feature's own under names of their own."""
    return lambda departures: model({**departures, **{name: departures[_of(name, feature)] for name in names}})


def _like_ends(line: SiblingOffset, features: tuple[Feature, Feature]) -> Ints:
    """For each end of the feature, the end of its sibling that is its mirror image."""
    first, second = (places_of(feature) - feature.point_mm for feature in features)
    gap = np.linalg.norm(first[:, None] - mirrored(second, line.mirror)[None], axis=2)
    order: Ints = np.argmin(gap, axis=1)
    return order


def _offsets(pair: _Pair, inputs: tuple[Input, ...], line: SiblingOffset) -> tuple[Floats, tuple[float, float]]:
    """Offsets (2, 3) of both at the end where they differ most, and U of the length of each."""
    still = {entry.name: np.zeros((1, len(entry.covariance))) for entry in inputs}
    worst = int(np.argmax(np.abs(told(pair.apart(still)[0], line))))

    def length(model: Offsets) -> Offsets:
        return lambda by: np.asarray(np.linalg.norm(model(by)[:, worst], axis=1)) + by[SCANNER][:, 0]

    sure = [propagate(length(model), inputs, least=0.0).U for model in (pair.own, pair.other)]
    return np.stack([pair.own(still)[0, worst], pair.other(still)[0, worst]]), (sure[0], sure[1])


def _details(
    features: tuple[Feature, Feature], offsets_mm: Floats
) -> dict[str, float | str | tuple[float, ...] | None]:
    lengths = np.linalg.norm(offsets_mm, axis=1)
    worse, better = (0, 1) if lengths[0] >= lengths[1] else (1, 0)
    return {
        "worse_placed": f"{features[worse].id} lies {lengths[worse]:.2f} mm off, its sibling {features[better].id} "
        f"{lengths[better]:.2f} mm",
        "offset_mm": row(offsets_mm[0]),
        "sibling_offset_mirrored_mm": row(offsets_mm[1]),
        "difference_mm": row(offsets_mm[0] - offsets_mm[1]),
    }


def _of(name: str, feature: Feature) -> str:
    return f"{'fit' if name == FIT else name} of {feature.id}"

"""How differently two like features sit off their own nominal places."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from shared.plan import Plan
from shared.plan.offsets import SiblingOffset
from worker.datums.records import NoFrame
from worker.features.records import Feature
from worker.judging.finding import Finding, Unmeasured, row
from worker.judging.kinds_of_place import place_model, places_of
from worker.judging.kinds_of_size import FIT, all_measured, samples_of
from worker.judging.measured import Measured
from worker.judging.nominal_offsets import mirrored, siblings, told
from worker.judging.offset_exhibits import sibling_exhibits
from worker.judging.offset_refusals import fitting
from worker.judging.propagation import Departures, Input, length_by_chance, propagate
from worker.judging.sources import (
    RESOLUTION,
    SCANNER,
    fit_input,
    frame_input,
    length_inputs,
    strain_input,
)
from worker.records import Floats, Ints


@dataclass(frozen=True, eq=False)
class _Pair:
    """Offsets (n, p, 3) of both from their own places, the sibling's mirrored, in the order of the feature's ends."""

    own: Callable[[Departures], Floats]
    other: Callable[[Departures], Floats]

    def apart(self, departures: Departures) -> Floats:
        """Difference (n, p, 3)."""
        difference: Floats = self.own(departures) - self.other(departures)
        return difference


def sibling_offset(line: SiblingOffset, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Largest difference, over the length of an axis, between the offsets of two features from their own places.

    Both are taken through one frame, so that what moves both alike drops out; with a mirror, a shift of the
    frame along that axis does not.
    """
    features = fitting(siblings(line, measured), line.id)
    frame = measured.frame(line.frame, plan)
    if isinstance(frame, NoFrame):
        return Unmeasured(frame.reason, point_mm=features[0].point_mm)
    found = all_measured(features, measured)
    if isinstance(found, Unmeasured):
        return found
    models = [place_model(feature, one, frame, measured) for feature, one in zip(features, found, strict=True)]
    pair = _pair(line, features, models)

    def value(departures: Departures) -> Floats:
        apart = pair.apart(departures)
        length: Floats = np.abs(told(apart.reshape(-1, 3), line)).reshape(len(apart), -1).max(axis=1)
        return length + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    inputs = (
        *(fit_input(one, _fit_of(one.feature)) for one in found),
        frame_input(frame),
        strain_input(measured),
        *length_inputs(plan, measured),
    )
    offsets, sure = _offsets(pair, inputs, line)
    return Finding(
        inputs=inputs,
        model=value,
        least=0.0,
        by_chance=length_by_chance(pair.apart, inputs) if line.direction is None else 0.0,
        point_mm=features[0].point_mm,
        details={"mirror": line.mirror.value, **_details(features, offsets)},
        sample_mask=np.logical_or.reduce([samples_of(feature, measured) for feature in features]),
        frame=frame.name,
        exhibits=sibling_exhibits(features, offsets, sure),
    )


def _pair(
    line: SiblingOffset, features: tuple[Feature, Feature], models: list[Callable[[Departures], Floats]]
) -> _Pair:
    order = _like_ends(line, features)

    def own(departures: Departures) -> Floats:
        return models[0]({**departures, FIT: departures[_fit_of(features[0])]})

    def other(departures: Departures) -> Floats:
        offsets = models[1]({**departures, FIT: departures[_fit_of(features[1])]})
        return mirrored(offsets[:, order], line.mirror)

    return _Pair(own, other)


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

    def length(model: Callable[[Departures], Floats]) -> Callable[[Departures], Floats]:
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


def _fit_of(feature: Feature) -> str:
    return f"fit of {feature.id}"

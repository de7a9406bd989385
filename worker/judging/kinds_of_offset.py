"""How a bore lies against a passage, and a pocket's floor below a face."""

from __future__ import annotations

import numpy as np

from shared.plan import Plan
from shared.plan.offsets import PocketDepth, SectionOffset
from worker.judging.finding import Finding, Unmeasured, row
from worker.judging.kinds_of_size import all_measured, samples_of
from worker.judging.measured import Measured
from worker.judging.moved import moved, nominal_moved
from worker.judging.nominal_offsets import depth, nominal_section, pocket_features, told
from worker.judging.offset_exhibits import depth_exhibits, section_exhibits
from worker.judging.offset_refusals import fitting
from worker.judging.piece_section import PieceSection, offset_model, piece_section, section_samples
from worker.judging.propagation import Departures, length_by_chance
from worker.judging.seen_share import gap_text
from worker.judging.sources import RESOLUTION, SCANNER, TEMPERATURE, fit_input, frame_input, length_inputs, strain_input
from worker.records import Floats


def section_offset(line: SectionOffset, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Offset of the measured axis or centre from the centroid of the piece's own section.

    Both are of one piece, so that its pose drops out but for what it does to the height of the section.
    """
    nominal = fitting(nominal_section(line, measured), line.id)
    section = piece_section(line, nominal, plan, measured)
    if isinstance(section, Unmeasured):
        return section
    vectors = offset_model(section)
    inputs = (
        *section.inputs,
        frame_input(section.frame),
        strain_input(measured),
        *length_inputs(plan, measured),
    )

    def value(departures: Departures) -> Floats:
        return told(vectors(departures), line) + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    is_length = line.direction is None
    offset = vectors({entry.name: np.zeros((1, len(entry.covariance))) for entry in inputs})[0]
    return Finding(
        inputs=inputs,
        model=value,
        least=0.0 if is_length else -np.inf,
        by_chance=length_by_chance(lambda by: vectors(by)[:, None], inputs) if is_length else 0.0,
        point_mm=nominal.axis_mm,
        details=_details(section, offset),
        sample_mask=section_samples(nominal, measured),
        gap=gap_text(section.seen.share),
        frame=section.frame.name,
        exhibits=section_exhibits(nominal, section.outline, vectors, inputs),
    )


def pocket_depth(line: PocketDepth, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Depth of the floor below the face along the measured axis; all three are of one piece, and no pose enters."""
    features = fitting(pocket_features(line, measured), line.id)
    found = all_measured(features, measured)
    if isinstance(found, Unmeasured):
        return found
    names = [f"fit of {role}" for role in ("floor", "face", "axis")]

    def value(departures: Departures) -> Floats:
        elements = [moved(one.element, departures[name]) for one, name in zip(found, names, strict=True)]
        length = depth(elements) * (1 + departures[TEMPERATURE][:, 0])
        return length + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    fits = [fit_input(one, name) for one, name in zip(found, names, strict=True)]
    floor, face, _ = found
    return Finding(
        inputs=(*fits, strain_input(measured), *length_inputs(plan, measured)),
        model=value,
        point_mm=features[0].point_mm,
        details={"floor_seen_share": floor.seen_share, "face_seen_share": face.seen_share},
        sample_mask=np.logical_or.reduce([samples_of(feature, measured) for feature in features]),
        gap=gap_text(min(floor.seen_share, face.seen_share)),
        exhibits=depth_exhibits(
            [nominal_moved(feature) for feature in features], [moved(one.element, np.zeros((1, 8))) for one in found]
        ),
    )


def _details(section: PieceSection, offset_mm: Floats) -> dict[str, float | str | tuple[float, ...] | None]:
    nominal = section.nominal
    departure = offset_mm - nominal.offset_mm
    return {
        "offset_mm": row(offset_mm),
        "nominal_offset_mm": row(nominal.offset_mm),
        "departure_mm": row(departure),
        "departure_length_mm": float(np.linalg.norm(departure)),
        "centroid_mm": row(section.outline.centroid_mm),
        "outline_seen_share": section.seen.share,
        "section_area_mm2": section.outline.area_mm2,
        "nominal_section_area_mm2": nominal.outline.area_mm2,
        "outline_count": float(nominal.outline_count),
    }

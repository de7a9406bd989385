"""How a bore lies against a passage, and a pocket's floor below a face."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from shared.plan import Plan
from shared.plan.offsets import PocketDepth, SectionOffset
from worker.datums.records import MeasuringFrame, NoFrame
from worker.judging.finding import Finding, Unmeasured, row
from worker.judging.kinds_of_size import FIT, all_measured, samples_of, unmeasured_feature
from worker.judging.measured import Measured
from worker.judging.moved import in_frame, moved, nominal_moved
from worker.judging.nominal_offsets import NominalSection, depth, met_plane, nominal_section, pocket_features, told
from worker.judging.offset_exhibits import depth_exhibits, section_exhibits
from worker.judging.offset_refusals import fitting
from worker.judging.propagation import Departures, Input, length_by_chance
from worker.judging.seen_share import gap_text
from worker.judging.sources import (
    ALIGNMENT,
    RESOLUTION,
    SCANNER,
    TEMPERATURE,
    fit_input,
    frame_input,
    length_inputs,
    strain_input,
)
from worker.judging.uncertainty import facet_sigma_mm
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.seen import NotMeasured
from worker.offsets.outline import WIDEST_GAP_SHARE, Outline, centroid_influence, outlines
from worker.offsets.seen_outline import SeenOutline, centroid_motion, seen_outline
from worker.offsets.sheet import moved_corners
from worker.records import Bools, Floats

Vectors = Callable[[Departures], Floats]
LEAST_OUTLINE_SHARE = 0.75  # of an outline scanned; less, and its middle is a guess; common practice, no source
NOISE, UNSEEN, FACETS = "scan noise", "not scanned", "facets of nominal"


@dataclass(frozen=True, eq=False)
class _Section:
    """A section of the piece.

    frame : its coordinates are those of the outline
    motion : (3, 2), how the centroid follows the plane (``centroid_motion``)
    facets : (2, 2) covariance of the centroid, mm2, from the facets of nominal
    """

    nominal: NominalSection
    axis: MeasuredFeature
    frame: MeasuringFrame
    seen: SeenOutline
    outline: Outline
    motion: Floats
    facets: Floats


def section_offset(line: SectionOffset, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Offset of the measured axis or centre from the centroid of the piece's own section.

    Both are of one piece, so that its pose drops out but for what it does to the height of the section.
    """
    nominal = fitting(nominal_section(line, measured), line.id)
    section = _section(line, nominal, plan, measured)
    if isinstance(section, Unmeasured):
        return section
    vectors = _offset_model(section)
    inputs = (
        fit_input(section.axis),
        Input(NOISE, section.seen.noise),
        Input(UNSEEN, section.seen.unseen),
        Input(FACETS, section.facets),
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
        sample_mask=_section_samples(nominal, measured),
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


def _section(line: SectionOffset, nominal: NominalSection, plan: Plan, measured: Measured) -> _Section | Unmeasured:
    """The piece's section, or why it has none that can be told."""
    mask, deviation, samples = _section_samples(nominal, measured), measured.deviation, measured.samples

    def none(reason: str) -> Unmeasured:
        return Unmeasured(reason, point_mm=nominal.axis_mm, sample_mask=mask)

    frame = measured.frame(line.frame, plan)
    if isinstance(frame, NoFrame) or deviation is None:
        return none(frame.reason if isinstance(frame, NoFrame) else "no deviation was measured")
    axis = measured.measured_feature(nominal.feature)
    if isinstance(axis, NotMeasured):
        return unmeasured_feature(axis, nominal.feature, measured)
    seen = seen_outline(nominal.outline, nominal.plane, nominal.sheet, samples, deviation)
    if seen.share < LEAST_OUTLINE_SHARE:
        return none(
            f"only {seen.share:.0%} of the section's outline was scanned, {LEAST_OUTLINE_SHARE:.0%} are needed to tell "
            "its middle"
        )
    corners = frame.T_frame_pose.apply(moved_corners(nominal.sheet, samples, seen.offset_mm))
    cuts = outlines(corners, nominal.sheet.triangles, nominal.plane)
    outline = min(cuts, key=lambda one: _unlike(one, nominal.outline), default=None)
    motion = centroid_motion(nominal.outline, nominal.plane, nominal.corners_mm, nominal.sheet, samples.spacing_mm)
    if outline is None or motion is None or outline.gap_share > WIDEST_GAP_SHARE:
        return none("the section has no closed outline on the piece, or changes its shape abruptly there")
    facets = _facets(nominal, measured)
    return _Section(nominal, axis, frame, seen, outline, motion, facets)


def _offset_model(section: _Section) -> Vectors:
    """Offsets (n, 3) in the plane from the centroid to the axis.

    A frame turned or shifted takes axis and surface with it; only where the plane then cuts the surface does
    it matter, and the centroid follows that as ``motion`` says.
    """
    plane, frame, middle = section.nominal.plane, section.frame, section.outline.centroid_mm

    def vectors(departures: Departures) -> Floats:
        motion, strain = departures[ALIGNMENT], departures[TEMPERATURE][:, 0]
        turn, shift = motion[:, :3], motion[:, 3:]
        axis = met_plane(in_frame(moved(section.axis.element, departures[FIT]), frame, motion, strain), plane)
        arm = middle - frame.centre_mm
        carried = np.cross(turn, arm) + shift + strain[:, None] * arm
        height = carried @ plane.normal
        lean = np.cross(plane.normal, turn) @ plane.basis.T  # the plane leans back in a surface turned forward
        flat = np.column_stack([-height, lean]) @ section.motion
        flat = flat + departures[NOISE] + departures[UNSEEN] + departures[FACETS]
        centroid = middle + carried - height[:, None] * plane.normal + flat @ plane.basis
        offset: Floats = axis - centroid
        return offset

    return vectors


def _details(section: _Section, offset_mm: Floats) -> dict[str, float | str | tuple[float, ...] | None]:
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


def _unlike(one: Outline, other: Outline) -> float:
    """How far an outline is from another: of their centroids and of the radii of circles of their areas."""
    radii = [float(np.sqrt(outline.area_mm2 / np.pi)) for outline in (one, other)]
    return float(np.linalg.norm(one.centroid_mm - other.centroid_mm)) + abs(radii[0] - radii[1])


def _facets(nominal: NominalSection, measured: Measured) -> Floats:
    """All facets lie to one side of the surface they stand for: the centroid moves by what they do together."""
    sigma = nominal.sheet.mean(facet_sigma_mm(measured.nominal, measured.samples))
    normals = nominal.sheet.mean(measured.samples.normals)
    influence = centroid_influence(nominal.outline, normals, nominal.plane)
    together = influence.T @ nominal.outline.at(sigma)
    covariance: Floats = np.outer(together, together)
    return covariance


def _section_samples(nominal: NominalSection, measured: Measured) -> Bools:
    """The samples beside the section, and the feature."""
    is_near = np.zeros(nominal.sheet.count, dtype=bool)
    is_near[nominal.outline.ends.ravel()] = True
    mask = samples_of(nominal.feature, measured)
    mask[nominal.sheet.sample[is_near[nominal.sheet.place]]] = True
    return mask

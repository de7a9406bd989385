"""The section of a piece that an axis or centre is measured against, and how their offset follows its inputs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from shared.plan import Plan
from shared.plan.offsets import SectionOffset
from worker.datums.records import MeasuringFrame, NoFrame
from worker.judging.finding import Unmeasured
from worker.judging.kinds_of_size import FIT, samples_of, unmeasured_feature
from worker.judging.measured import Measured
from worker.judging.moved import in_frame, moved
from worker.judging.nominal_offsets import NominalSection, met_plane
from worker.judging.propagation import Departures, Input
from worker.judging.sources import ALIGNMENT, TEMPERATURE, fit_input
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
class PieceSection:
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

    @property
    def inputs(self) -> tuple[Input, ...]:
        """All that the offset of this section alone depends on."""
        return (
            fit_input(self.axis),
            Input(NOISE, self.seen.noise),
            Input(UNSEEN, self.seen.unseen),
            Input(FACETS, self.facets),
        )


def piece_section(
    line: SectionOffset, nominal: NominalSection, plan: Plan, measured: Measured
) -> PieceSection | Unmeasured:
    """The piece's section, or why it has none that can be told."""
    mask, deviation, samples = section_samples(nominal, measured), measured.deviation, measured.samples

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
    return PieceSection(nominal, axis, frame, seen, outline, motion, facets)


def offset_model(section: PieceSection) -> Vectors:
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


def section_samples(nominal: NominalSection, measured: Measured) -> Bools:
    """The samples beside the section, and the feature."""
    is_near = np.zeros(nominal.sheet.count, dtype=bool)
    is_near[nominal.outline.ends.ravel()] = True
    mask = samples_of(nominal.feature, measured)
    mask[nominal.sheet.sample[is_near[nominal.sheet.place]]] = True
    return mask

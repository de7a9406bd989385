"""Offsets, depths and volumes of nominal: what the piece's are compared with, and why a line may ask in vain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from shared.plan import FeaturePick
from shared.plan.offsets import CavityVolume, Mirror, Openings, PocketDepth, SectionOffset, SiblingOffset
from worker.features.records import Feature, FeatureKind
from worker.judging.distances import PARTS
from worker.judging.measured import Measured
from worker.judging.moved import Moved, nominal_moved
from worker.offsets.cavity import Filled, Opening, filled, hollow_between_samples, openings, plugged
from worker.offsets.outline import WIDEST_GAP_SHARE, CuttingPlane, Outline, chosen_outline, outlines
from worker.offsets.sheet import Sheet, moved_corners, sheet_of
from worker.records import Floats, Ints

AXIAL = (FeatureKind.HOLE, FeatureKind.BOSS, FeatureKind.CONE)
LEAST_COSINE = 0.2  # an axis flatter than 11 degrees to a plane meets it nowhere in particular
MIRRORED_RAD, MIRRORED_SHARE = 1e-3, 1e-3  # how nearly CAD siblings are mirror images: direction, and size or depth
BRIM_MM = 1e-3  # a rim within this of the closing plane, or of the CAD's own facets, lies in it
CC = 1000.0  # cubic millimetres


@dataclass(frozen=True)
class Misfit:
    """Why nominal has no such thing, and what to do."""

    what: str
    advice: str


@dataclass(frozen=True, eq=False)
class NominalSection:
    """The section of nominal that an axis is measured against.

    axis_mm : (3,) where the axis meets the plane;  offset_mm : (3,) from the outline's centroid to there
    """

    feature: Feature
    plane: CuttingPlane
    sheet: Sheet
    corners_mm: Floats
    outline: Outline
    outline_count: int

    @property
    def axis_mm(self) -> Floats:
        """Where the axis meets the plane, or the foot of the centre on it."""
        met: Floats = met_plane(nominal_moved(self.feature), self.plane)[0]
        return met

    @property
    def offset_mm(self) -> Floats:
        """From the centroid to the axis."""
        offset: Floats = self.axis_mm - self.outline.centroid_mm
        return offset


@dataclass(frozen=True, eq=False)
class NominalCavity:
    """Walls of nominal closed by a plane.

    rims : openings that are closed flat;  triangles : with their plugs;  between_mm3 : between facets and surface
    feature : the plane, where it is one
    """

    feature: Feature | None
    plane: CuttingPlane
    sheet: Sheet
    corners_mm: Floats
    rims: tuple[Opening, ...]
    triangles: Ints
    filled: Filled
    between_mm3: float
    tolerance_mm: float

    @property
    def volume_cc(self) -> float:
        """What a burette would read."""
        return (self.filled.volume_mm3 + self.between_mm3) / CC


def nominal_offset(line: Any, measured: Measured) -> float | Misfit:
    """Nominal's value of a section offset, pocket depth, cavity volume (cc) or sibling offset (nothing).

    Raises
    ------
    PlanInvalid
        If the line names a feature or region that nominal does not have.

    """
    if isinstance(line, SectionOffset):
        section = nominal_section(line, measured)
        return section if isinstance(section, Misfit) else float(told(section.offset_mm[None], line)[0])
    if isinstance(line, PocketDepth):
        features = pocket_features(line, measured)
        return features if isinstance(features, Misfit) else float(depth([nominal_moved(one) for one in features])[0])
    if isinstance(line, CavityVolume):
        cavity = nominal_cavity(line, measured)
        return cavity if isinstance(cavity, Misfit) else cavity.volume_cc
    wanted = [siblings(line, measured), *(nominal_section(one, measured) for one in line.section_lines)]
    return next((found for found in wanted if isinstance(found, Misfit)), 0.0)


def told(offset_mm: Floats, line: SectionOffset | SiblingOffset) -> Floats:
    """Length (n,) of offsets (n, 3), or their component along the line's direction."""
    if line.direction is not None:
        component: Floats = offset_mm[:, PARTS[line.direction]]
        return component
    length: Floats = np.linalg.norm(offset_mm, axis=1)
    return length


def met_plane(element: Moved, plane: CuttingPlane) -> Floats:
    """Where axes meet a plane (n, 3), or the feet of centres on it."""
    if element.direction is not None:
        return element.at_plane(plane.point_mm, plane.normal)
    above = (element.point_mm - plane.point_mm) @ plane.normal
    foot: Floats = element.point_mm - above[:, None] * plane.normal
    return foot


def region_sheet(name: str, measured: Measured) -> Sheet | None:
    """The region as one sheet; joined as it was before a what-if moved any of it."""
    region = measured.region(name)
    first = measured
    while first.before is not None:
        first = first.before
    return first.once(("sheet", name, region.is_member.tobytes()), lambda: sheet_of(first.samples, region.is_member))


def nominal_section(line: SectionOffset, measured: Measured) -> NominalSection | Misfit:
    """The section a line asks for, on nominal; made once for each line."""
    return measured.once(("nominal section", line.model_dump_json()), lambda: _section(line, measured))


def _section(line: SectionOffset, measured: Measured) -> NominalSection | Misfit:
    feature = measured.feature(line.feature, f"characteristic {line.id}")
    plane = _section_plane(line, feature)
    if isinstance(plane, Misfit):
        return plane
    sheet = region_sheet(line.region, measured)
    if sheet is None:
        return Misfit(f"region {line.region} is no surface", "Choose a larger region.")
    corners = moved_corners(sheet, measured.samples, np.zeros(len(measured.samples.face)))
    found = outlines(corners, sheet.triangles, plane)
    near = met_plane(nominal_moved(feature), plane)[0]
    outline = chosen_outline(found, near, plane)
    if outline is None:
        return Misfit(f"the section plane does not cut region {line.region}", "Move the point.")
    if outline.gap_share > WIDEST_GAP_SHARE:
        at = _text(outline.points_mm[int(np.argmax(np.where(outline.is_bridge, outline.steps_mm, 0.0)))])
        return Misfit(
            f"the section of region {line.region} is open for {outline.gap_share:.0%} of its outline, from {at} on",
            "Move or turn the plane to where it cuts the passage all round, or add the missing faces to the region.",
        )
    return NominalSection(feature, plane, sheet, corners, outline, len(found))


def pocket_features(line: PocketDepth, measured: Measured) -> tuple[Feature, Feature, Feature] | Misfit:
    """Floor, face and axis."""
    where = f"characteristic {line.id}"
    floor, face, axis = (measured.feature(pick, where) for pick in (line.feature, line.face, line.axis))
    for plane in (floor, face):
        if plane.kind is not FeatureKind.PLANE:
            return Misfit(f"{plane.id} is a {plane.kind.value} and no plane", "Pick plane features for floor and face.")
    if axis.kind not in AXIAL:
        return Misfit(f"{axis.id} is a {axis.kind.value} and has no axis", "Pick a hole, boss or cone as the axis.")
    assert floor.direction is not None  # noqa: S101 planes and axes have directions
    assert face.direction is not None  # noqa: S101
    assert axis.direction is not None  # noqa: S101
    if min(abs(float(axis.direction @ plane.direction)) for plane in (floor, face) if plane.direction is not None) < (
        LEAST_COSINE
    ):
        return Misfit(f"the axis of {axis.id} runs along the planes", "Pick an axis that crosses both.")
    return floor, face, axis


def depth(elements: list[Moved]) -> Floats:
    """Depth (n,) along the axis from face to floor; elements : floor, face, axis."""
    floor, face, axis = elements
    assert floor.direction is not None  # noqa: S101 pocket_features refuses others
    assert face.direction is not None  # noqa: S101
    assert axis.direction is not None  # noqa: S101
    to_floor, to_face = (
        ((plane.point_mm - axis.point_mm) * normal).sum(axis=1) / (axis.direction * normal).sum(axis=1)
        for plane, normal in ((floor, floor.direction), (face, face.direction))
    )
    outward = np.where((axis.direction * face.direction).sum(axis=1) > 0, 1.0, -1.0)
    found: Floats = outward * (to_face - to_floor)
    return found


def nominal_cavity(line: CavityVolume, measured: Measured) -> NominalCavity | Misfit:
    """The cavity a line asks for, on nominal; made once for each line."""
    return measured.once(("nominal cavity", line.model_dump_json()), lambda: _cavity(line, measured))


def _cavity(line: CavityVolume, measured: Measured) -> NominalCavity | Misfit:
    feature, plane = _closing_plane(line, measured)
    if feature is not None and feature.kind is not FeatureKind.PLANE:
        return Misfit(f"{feature.id} is a {feature.kind.value} and no plane", "Pick a plane feature, such as the deck.")
    sheet = region_sheet(line.region, measured)
    if sheet is None:
        return Misfit(f"region {line.region} is no surface", "Choose a larger region.")
    samples = measured.samples
    corners = moved_corners(sheet, samples, np.zeros(len(samples.face)))
    tolerance = max(BRIM_MM, measured.nominal.chord_tolerance_mm or 0.0)
    rims = openings(corners, sheet.triangles, plane, tolerance)
    refused = [rim for rim in rims if line.openings is Openings.REFUSED or not rim.is_ring]
    if refused:
        places = "; ".join(f"round {_text(rim.middle_mm)}, {rim.below_mm:.3g} mm below" for rim in refused[:4])
        return Misfit(
            f"region {line.region} does not close at the plane: it is open {places}",
            "Add the faces that are missing to the region, or let openings be closed flat.",
        )
    walls, triangles = plugged(corners, sheet.triangles, rims)
    found = filled(walls, triangles, plane)
    if found.volume_mm3 <= 0:
        return Misfit(f"region {line.region} holds nothing below the plane", "The normal must point out of the cavity.")
    between = hollow_between_samples(sheet, samples, plane)
    return NominalCavity(feature, plane, sheet, corners, rims, triangles, found, between, tolerance)


def siblings(line: SiblingOffset, measured: Measured) -> tuple[Feature, Feature] | Misfit:
    """Both features, if nominal has them alike."""
    where = f"characteristic {line.id}"
    own, other = (measured.feature(pick, where) for pick in (line.feature, line.sibling))
    if own.id == other.id:
        return Misfit(f"{own.id} is no sibling of itself", "Name two features.")
    if own.kind is not other.kind:
        return Misfit(f"{own.id} and {other.id} are of different kinds", "Name two features of one kind.")
    if own.direction is not None and other.direction is not None:
        across = np.cross(own.direction, mirrored(other.direction, line.mirror))
        if float(np.linalg.norm(across)) > MIRRORED_RAD:
            how = "parallel" if line.mirror is Mirror.NONE else f"mirror images along {line.mirror.value}"
            return Misfit(f"{own.id} and {other.id} are not {how} in the CAD", "State another mirror.")
    sizes = [feature.depth_mm or feature.radius_mm or 0.0 for feature in (own, other)]
    if abs(sizes[0] - sizes[1]) > MIRRORED_SHARE * max(sizes):
        return Misfit(
            f"{own.id} and {other.id} differ in length or size in the CAD", "Name two features that are alike."
        )
    return own, other


def mirrored(vectors: Floats, mirror: Mirror) -> Floats:
    """Vectors (..., 3) mirrored along a part axis."""
    signs = np.array([-1.0 if mirror.value == axis else 1.0 for axis in "xyz"])
    turned: Floats = vectors * signs
    return turned


def _section_plane(line: SectionOffset, feature: Feature) -> CuttingPlane | Misfit:
    if feature.kind not in (*AXIAL, FeatureKind.SPHERE):
        return Misfit(f"{feature.id} is a {feature.kind.value}", "Pick a hole, boss, cone or sphere.")
    point = np.array(line.point)
    if line.normal is not None:
        normal = np.array(line.normal) / np.linalg.norm(line.normal)
        if feature.direction is not None and abs(float(feature.direction @ normal)) < LEAST_COSINE:
            return Misfit(f"the axis of {feature.id} runs along the section plane", "Turn the plane.")
        return CuttingPlane(point, normal)
    if feature.direction is None:
        return Misfit(f"{feature.id} has no axis for the section to be square to", "Give a normal.")
    along = float((point - feature.point_mm) @ feature.direction)
    return CuttingPlane(feature.point_mm + along * feature.direction, feature.direction)


def _closing_plane(line: CavityVolume, measured: Measured) -> tuple[Feature | None, CuttingPlane]:
    if isinstance(line.plane, FeaturePick):
        feature = measured.feature(line.plane, f"characteristic {line.id}")
        normal = np.zeros(3) if feature.direction is None else feature.direction
        return feature, CuttingPlane(feature.point_mm, normal)
    assert line.point is not None  # noqa: S101 the plan gives one or the other
    assert line.normal is not None  # noqa: S101
    return None, CuttingPlane(np.array(line.point), np.array(line.normal) / np.linalg.norm(line.normal))


def _text(point_mm: Floats) -> str:
    return "({})".format(", ".join(f"{value:.1f}" for value in point_mm))

"""Metal round one hole: in nominal, on the piece, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from shared.plan import Plan
from worker.fasteners.holes import FACES_ALONG, HoleShape, Names, Surroundings, hole_shape, surface_names, surroundings
from worker.fasteners.metal import metal_profile
from worker.fasteners.records import MOUTH, Bore, MetalProfile
from worker.fasteners.shells import Piece, nominal_shell, piece_shell
from worker.features.records import Feature
from worker.fitting.robust import mad_sigma
from worker.judging.measured import Measured
from worker.judging.uncertainty import UNIFORM, deviation_sigma_mm, scanner_sigma_mm
from worker.measuring.corners import stitched_mm
from worker.measuring.measured_feature import MeasuredFeature
from worker.records import Bools, Floats, Ints
from worker.surface import SurfaceQuery

HEIGHT_COUNT = 33  # over the depth: 0.6 mm apart in a hole of 20 mm
RIM_SHARE = 0.02  # of the depth, left out at both ends: rims are broken, and a ray along a mouth's face meets it or not
CALM_ROUNDS = 2  # a sample with its 18 neighbours: one sample's noise is no dent in a wall
MOUTH_RADII = 2.5  # from the axis: how far a mouth's face is looked at for where the hole ends
FEW = 4  # samples that show where a face lies
GUARD_MM = 3.0  # unseen surfaces have been off by this much; common practice, no source
FIT, FORM = "fit of the hole", "form of the hole"


@dataclass(frozen=True, eq=False)
class End:
    """One end of a hole on the piece: how far it lies beyond nominal's, along the axis away from the hole.

    shift_mm, sigma_mm : 0 and infinite where nothing of it was seen
    """

    shift_mm: float
    sigma_mm: float
    is_seen: bool


@dataclass(frozen=True, eq=False)
class Metal:
    """All of one hole.

    nominal, actual : heights the same, labels their own;  is_seen : (l, h) of actual, the far surface was scanned
    bore : the piece's;  ends : lower and upper;  triangles of ``actual`` are the samples'
    """

    shape: HoleShape
    names: Names
    nominal: MetalProfile
    actual: MetalProfile
    is_seen: Bools
    found: MeasuredFeature
    bore: Bore
    ends: tuple[End, End]


def around_of(measured: Measured) -> Surroundings:
    """Nominal prepared for looking round its holes, once."""
    return measured.once(("fastener surroundings",), lambda: surroundings(measured.nominal, measured.features))


def names_of(measured: Measured) -> Names:
    """Names of nominal's surfaces, once."""

    def make() -> Names:
        return surface_names(measured.nominal, measured.samples, measured.regions, measured.features)

    return measured.once(("fastener names",), make)


def calm_mm(measured: Measured) -> Floats:
    """Deviation (s,), averaged with neighbours; 0 where nothing was measured."""
    deviation = measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")

    def make() -> Floats:
        calm = measured.net.smooth(deviation.distance_mm, deviation.is_measured, rounds=CALM_ROUNDS)
        return np.where(deviation.is_measured, calm, 0.0)

    return measured.once(("fastener calm",), make)


def nominal_surface(measured: Measured) -> SurfaceQuery:
    """Nominal to cast rays at, once."""
    nominal = measured.nominal
    return measured.once("nominal surface", lambda: SurfaceQuery(nominal.vertices_mm, nominal.triangles))


def piece_of(measured: Measured) -> Piece:
    """The piece, calmed, without cracks at creases; made once."""

    def make() -> Piece:
        off = calm_mm(measured)
        points = stitched_mm(measured.samples, off, measured.net.is_rim)
        return Piece(measured.nominal, measured.samples, points, off)

    return measured.once(("fastener piece",), make)


def nominal_metal(feature: Feature, measured: Measured) -> tuple[HoleShape, MetalProfile]:
    """The hole and the metal round it in the CAD."""

    def make() -> tuple[HoleShape, MetalProfile]:
        shape = hole_shape(feature, around_of(measured))
        label = np.where(shape.is_mouth, MOUTH, names_of(measured).label)
        bore = Bore(feature.point_mm, shape.direction, shape.radius_mm, heights_of(shape))
        shell = nominal_shell(measured.nominal, label, shape.is_own, surface=nominal_surface(measured))
        return shape, metal_profile(bore, shell)

    return measured.once(("fastener nominal metal", feature.id), make)


def metal_round_hole(feature: Feature, found: MeasuredFeature, measured: Measured) -> Metal:
    """The same on the piece: from the fitted hole to the surfaces the scan shows."""
    shape, nominal = nominal_metal(feature, measured)
    element, names = found.element, names_of(measured)
    if element.direction is None or element.radius_mm is None:
        raise ValueError(f"{feature.id} was not fitted as a cylinder")
    ends = (_end(shape, measured, -1.0), _end(shape, measured, 1.0))
    heights = nominal.heights_mm
    bore = Bore(element.place_at(feature.point_mm), element.direction, element.radius_mm, heights)
    label = np.where(shape.is_mouth, MOUTH, names.label)
    actual = metal_profile(bore, piece_shell(piece_of(measured), label, shape.is_own))
    is_inside = (heights >= shape.full_mm[0] - ends[0].shift_mm) & (heights <= shape.full_mm[1] + ends[1].shift_mm)
    actual = _within(actual, is_inside)
    corners = measured.samples.triangles[np.maximum(actual.triangle, 0)]
    deviation = measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")
    is_seen = actual.is_found & deviation.is_measured[corners].all(axis=-1)
    return Metal(shape, names, nominal, actual, is_seen, found, bore, ends)


def heights_of(shape: HoleShape) -> Floats:
    """Heights (h,) at which metal is looked for: all of the full round but its rims."""
    low, high = shape.full_mm
    rim = RIM_SHARE * (high - low)
    heights: Floats = np.linspace(low + rim, high - rim, HEIGHT_COUNT)
    return heights


def metal_sigma_mm(metal: Metal, row: int, column: int, plan: Plan, measured: Measured) -> dict[str, float]:
    """Standard uncertainties of the metal at one place, by source.

    The pose moves the hole and the surface beyond alike and drops out.
    """
    deviation = measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")
    sources = measured.once(
        ("fastener sources", scanner_sigma_mm(plan)),
        lambda: deviation_sigma_mm(plan, measured.nominal, measured.samples, measured.alignment, deviation),
    )
    corners = far_samples(metal, measured, row, column)
    slope = max(float(metal.actual.cosine[row, column]), 0.1)  # a flat cut draws out what the far surface is off by

    def far(name: str) -> float:
        return float(sources[name][corners].max()) / slope

    return {
        FIT: wall_sigma_mm(metal, metal.bore.heights_mm[column], metal.actual.turn_rad[row, column]),
        FORM: _form_mm(metal, measured),
        "scanner": float(sources["scanner"][corners[0]]),
        "scan noise": far("scan noise"),
        "facets of nominal": far("facets of nominal"),
        "file resolution": float(np.sqrt(2) * UNIFORM * measured.quantum_mm),
    }


def wall_sigma_mm(metal: Metal, height_mm: float, turn_rad: float) -> float:
    """Standard uncertainty of the fitted wall at one place, along its radius."""
    element = metal.found.element
    way = metal.bore.radial(np.array([turn_rad]))[0]
    lever = metal.bore.origin_mm + height_mm * metal.bore.direction - element.point_mm
    row = np.concatenate([way, np.cross(lever, way), [1.0, 0.0]])
    return float(np.sqrt(max(row @ element.covariance @ row, 0.0)))


def far_samples(metal: Metal, measured: Measured, row: int, column: int) -> Ints:
    """The three samples round the place where the metal ends."""
    corners: Ints = measured.samples.triangles[metal.actual.triangle[row, column]]
    return corners


def unseen_near(metal: Metal, least_mm: float) -> Mapping[str, float]:
    """Surfaces that could bound less metal than found, but were seen for less than they need: share seen by name."""
    doubtful: dict[str, float] = {}
    rows = {int(label): row for row, label in enumerate(metal.actual.labels)}
    for index, label in enumerate(metal.nominal.labels):
        if float(metal.nominal.metal_mm[index].min()) > least_mm + GUARD_MM:
            continue
        row = rows.get(int(label))
        asked = metal.actual.is_found[row] if row is not None else np.zeros(0, dtype=bool)
        share = float(metal.is_seen[row][asked].mean()) if row is not None and asked.any() else 0.0
        doubtful[metal.names.names[int(label)]] = share
    return doubtful


def _within(profile: MetalProfile, is_inside: Bools) -> MetalProfile:
    """The profile at the heights where the piece has a hole."""
    return MetalProfile(
        labels=profile.labels,
        heights_mm=profile.heights_mm,
        metal_mm=np.where(is_inside, profile.metal_mm, np.inf),
        is_found=profile.is_found & is_inside,
        triangle=profile.triangle,
        cosine=profile.cosine,
        turn_rad=profile.turn_rad,
        any_way_mm=profile.any_way_mm,
        is_open=profile.is_open & is_inside,
    )


def _end(shape: HoleShape, measured: Measured, way: float) -> End:
    """The lower (-1) or upper (+1) end: mean deviation of the faces there, along the axis."""
    samples, deviation = measured.samples, measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")
    is_face = np.zeros(len(samples.face), dtype=bool)
    is_face[samples.triangles[shape.is_mouth[samples.triangle_source]].ravel()] = True
    offset = samples.points_mm - shape.feature.point_mm
    height = offset @ shape.direction
    aside = np.linalg.norm(offset - height[:, None] * shape.direction, axis=1)
    end = shape.ends_mm[0] if way < 0 else shape.ends_mm[1]
    is_near = (np.abs(height - end) < MOUTH_RADII * shape.radius_mm) & (aside < MOUTH_RADII * shape.radius_mm)
    along = samples.normals @ shape.direction
    rows = np.flatnonzero(is_face & is_near & deviation.is_measured & (np.abs(along) > FACES_ALONG))
    if len(rows) < FEW:
        return End(0.0, float("inf"), is_seen=False)
    shift = way * calm_mm(measured)[rows] / along[rows]
    noise = float(np.median(deviation.sigma_mm[rows]))
    return End(float(shift.mean()), float(np.hypot(shift.std(ddof=1) / np.sqrt(len(rows)), noise)), is_seen=True)


def _form_mm(metal: Metal, measured: Measured) -> float:
    """Robust scatter of the hole's calmed wall about its cylinder."""
    samples, deviation = measured.samples, measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")
    is_wall = np.zeros(len(samples.face), dtype=bool)
    is_wall[samples.triangles[metal.shape.is_own[samples.triangle_source]].ravel()] = True
    is_wall &= deviation.is_measured & ~measured.net.is_rim
    if np.count_nonzero(is_wall) < FEW:
        return 0.0
    offset = samples.points_mm[is_wall] + calm_mm(measured)[is_wall, None] * samples.normals[is_wall]
    offset = offset - metal.bore.origin_mm
    offset = offset - np.outer(offset @ metal.bore.direction, metal.bore.direction)
    off = np.linalg.norm(offset, axis=1) - metal.bore.radius_mm
    return mad_sigma(off - np.median(off))

"""What a pocket or chamber of the piece holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import Plan
from shared.plan.offsets import CavityVolume
from worker.datums.records import MeasuringFrame
from worker.judging.finding import Finding, Unmeasured
from worker.judging.kinds_of_size import FIT, unmeasured_feature
from worker.judging.measured import Measured
from worker.judging.moved import moved
from worker.judging.nominal_offsets import CC, NominalCavity, nominal_cavity
from worker.judging.offset_exhibits import cavity_exhibits, closed
from worker.judging.offset_refusals import fitting
from worker.judging.propagation import Departures, Input, Model
from worker.judging.seen_share import gap_text
from worker.judging.sources import ALIGNMENT, RESOLUTION, SCANNER, TEMPERATURE, fit_input, frame_input, strain_input
from worker.judging.uncertainty import UNIFORM, facet_sigma_mm, scanner_sigma_mm
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.seen import NotMeasured
from worker.offsets.cavity import Filled, brim_corners, filled, plugged
from worker.offsets.outline import CuttingPlane
from worker.offsets.sheet import Seam, moved_corners
from worker.records import Bools, Deviation, Floats

LEAST_WALL_SHARE = 0.75  # of the walls scanned; less, and the volume is nominal's; common practice, no source
LIKE_NEIGHBOURS = 2.0  # variance of a mean over samples whose neighbours share scan points: six at a sixth each
NOISE, UNSEEN, FACETS = "scan noise", "not scanned", "facets of nominal"


@dataclass(frozen=True, eq=False)
class _Walls:
    """The walls below the plane as the scan shows them.

    area_mm2 : (s,) of nominal's wall each sample stands for
    offset_mm : (s,) deviation, where nobody scanned the mean of the rest;  scatter_mm : of the rest about it
    """

    area_mm2: Floats
    is_seen: Bools
    offset_mm: Floats
    scatter_mm: float

    @property
    def share(self) -> float:
        return float(self.area_mm2[self.is_seen].sum() / self.area_mm2.sum())


def cavity_volume(line: CavityVolume, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Volume of the piece's cavity below the plane that closes it, cubic centimetres.

    The walls are those of the piece; the plane is that of its own face, or lies where the plan's figures put it.
    Walls and face are of one piece, and its pose drops out.
    """
    nominal = fitting(nominal_cavity(line, measured), line.id)
    deviation = measured.deviation
    if deviation is None:
        return Unmeasured("no deviation was measured")
    walls = _walls(nominal, measured, deviation)
    mask = walls.area_mm2 > 0
    if walls.share < LEAST_WALL_SHARE:
        return Unmeasured(
            f"only {walls.share:.0%} of the walls were scanned, {LEAST_WALL_SHARE:.0%} are needed to tell the volume",
            point_mm=nominal.filled.brim_middle_mm,
            sample_mask=mask,
        )
    face = None if nominal.feature is None else measured.measured_feature(nominal.feature)
    if isinstance(face, NotMeasured) and nominal.feature is not None:
        return unmeasured_feature(face, nominal.feature, measured)
    face = None if isinstance(face, NotMeasured) else face
    plane = _plane(nominal, face, measured.pose_frame)
    piece, rims = _filled(nominal, walls, plane, measured)
    share = walls.share if face is None else min(walls.share, face.seen_share)
    return Finding(
        inputs=_inputs(walls, piece, face, plan, measured),
        model=_volume_model(nominal, piece, (plane, face), measured.pose_frame),
        least=0.0,
        point_mm=nominal.filled.brim_middle_mm,
        details=_details(nominal, walls, piece),
        sample_mask=mask,
        gap=gap_text(share),
        exhibits=cavity_exhibits(nominal, piece, rims),
    )


def _details(nominal: NominalCavity, walls: _Walls, piece: Filled) -> dict[str, float]:
    return {
        "difference_cc": (piece.volume_mm3 - nominal.filled.volume_mm3) / CC,
        "wall_area_mm2": float(walls.area_mm2.sum()),
        "opening_area_mm2": piece.brim_area_mm2,
        "largest_depth_mm": piece.depth_mm,
        "seen_share": walls.share,
        "openings_closed_flat": float(len(nominal.rims)),
    }


def _walls(nominal: NominalCavity, measured: Measured, deviation: Deviation) -> _Walls:
    """A third of each triangle below the plane to each of its corners."""
    samples, sheet = measured.samples, nominal.sheet
    corners = samples.points_mm[sheet.triangle_samples]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    height = (corners.mean(axis=1) - nominal.plane.point_mm) @ nominal.plane.normal
    below = np.where(height < 0, area / 3, 0.0)
    corner = sheet.triangle_samples.ravel()
    own: Floats = np.bincount(corner, np.repeat(below, 3), minlength=len(samples.face)).astype(np.float64)
    is_seen = (own > 0) & deviation.is_measured
    weight, value = own[is_seen], deviation.distance_mm[is_seen]
    mean = float((weight * value).sum() / weight.sum()) if len(weight) else 0.0
    scatter = float(np.sqrt((weight * (value - mean) ** 2).sum() / weight.sum())) if len(weight) else 0.0
    offset = np.where(deviation.is_measured, deviation.distance_mm, mean)
    return _Walls(own, is_seen, offset, scatter)


def _plane(nominal: NominalCavity, face: MeasuredFeature | None, frame: MeasuringFrame) -> CuttingPlane:
    """Where the closing plane lies on the piece, coordinates of the pose."""
    if face is not None and face.element.direction is not None:
        return CuttingPlane(face.element.point_mm, face.element.direction)
    T_pose_frame = frame.T_frame_pose.inverse()
    return CuttingPlane(T_pose_frame.apply(nominal.plane.point_mm), T_pose_frame.turn(nominal.plane.normal))


def _filled(
    nominal: NominalCavity, walls: _Walls, plane: CuttingPlane, measured: Measured
) -> tuple[Filled, list[Floats]]:
    """The piece filled to the plane, and the rims that are closed flat; walls that end at the brim end in the plane."""
    is_brim = brim_corners(nominal.corners_mm, nominal.sheet.triangles, nominal.plane, nominal.tolerance_mm)
    seam = Seam(is_brim, plane.point_mm, plane.normal)
    corners = moved_corners(nominal.sheet, measured.samples, walls.offset_mm, seam)
    whole, triangles = plugged(corners, nominal.sheet.triangles, nominal.rims)
    rims = [closed(corners[rim.edges[:, 0]]) for rim in nominal.rims]
    return filled(whole, triangles, plane), rims


def _inputs(
    walls: _Walls, piece: Filled, face: MeasuredFeature | None, plan: Plan, measured: Measured
) -> tuple[Input, ...]:
    """Sources in cubic centimetres, but for the plane's, which are in its own freedoms.

    Scan noise averages over the samples; an error of the scanner or of facets alike all over does not.
    """
    deviation, samples = measured.deviation, measured.samples
    if deviation is None:
        raise ValueError("nothing was measured")
    area, seen = walls.area_mm2, walls.is_seen
    whole = float(area.sum())
    density = float((deviation.point_count[seen] * area[seen]).sum() / area[seen].sum())
    sharing = LIKE_NEIGHBOURS / min(1.0, max(density, 1e-3))
    noise = float(np.sqrt(sharing * ((area * deviation.sigma_mm)[seen] ** 2).sum()))
    facets = float((area * facet_sigma_mm(measured.nominal, samples)).sum())
    sources = {
        NOISE: noise,
        SCANNER: (whole + piece.brim_area_mm2) * scanner_sigma_mm(plan),
        FACETS: facets,
        UNSEEN: float(area[~seen].sum()) * walls.scatter_mm,
        RESOLUTION: whole * UNIFORM * measured.quantum_mm,
    }
    closing = frame_input(measured.pose_frame) if face is None else fit_input(face)
    return (*(Input.single(name, sigma / CC) for name, sigma in sources.items()), closing, strain_input(measured))


def _volume_model(
    nominal: NominalCavity, piece: Filled, closing: tuple[CuttingPlane, MeasuredFeature | None], frame: MeasuringFrame
) -> Model:
    """Volume (n,): a plane that lies higher by h over the middle of the opening adds its area times h."""
    plane, face = closing
    own = (piece.volume_mm3 + nominal.between_mm3) / CC
    middle = piece.brim_middle_mm

    def raised(departures: Departures) -> Floats:
        if face is None:
            motion = departures[ALIGNMENT]
            carried = np.cross(motion[:, :3], middle - frame.centre_mm) + motion[:, 3:]
            return np.asarray(-carried @ plane.normal)
        element = moved(face.element, departures[FIT])
        assert element.direction is not None  # noqa: S101 a plane has a normal
        above = ((element.point_mm - middle) * element.direction).sum(axis=1)
        return np.asarray(above / (element.direction @ plane.normal))

    def volume(departures: Departures) -> Floats:
        total = (own + piece.brim_area_mm2 * raised(departures) / CC) * (1 + 3 * departures[TEMPERATURE][:, 0])
        for name in (NOISE, SCANNER, FACETS, UNSEEN, RESOLUTION):
            total = total + departures[name][:, 0]
        return total

    return volume

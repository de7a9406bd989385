"""Characteristics read from the deviation map: profile of a surface and of a line, machining allowance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import LineProfile, MachiningAllowance, Plan, SurfaceProfile
from worker.datums.records import MeasuringFrame, NoFrame
from worker.judging.finding import Finding, Unmeasured, plain_finding
from worker.judging.kinds_of_size import samples_of
from worker.judging.limits import limits_of
from worker.judging.measured import Measured
from worker.judging.seen_share import gap_text
from worker.judging.sources import ALIGNMENT, RESOLUTION, SCANNER
from worker.judging.uncertainty import UNIFORM, facet_sigma_mm, scanner_sigma_mm
from worker.measuring.extremes import Extreme, both_ends, noisy_map
from worker.records import Bools, Floats

SLICE_SPACINGS = 1.5  # a slice this thick holds at least one row of samples wherever it cuts
FRAME = "frame"  # between the pose the map was made in and the frame of the surface outside the cores


@dataclass(frozen=True, eq=False)
class _Face:
    """The samples of a line with their deviation in its frame.

    low, high : over the area of four samples, each averaged with its neighbours: narrower is noise; what
        noise adds to an extreme is taken off
    calm_mm : (s,) averaged;  used : (s,) measured members;  firm : (s,) those of them that extremes are read from
    """

    frame: MeasuringFrame
    member: Bools
    used: Bools
    firm: Bools
    calm_mm: Floats
    low: Extreme
    high: Extreme
    share: float

    @property
    def low_mm(self) -> float:
        """Least deviation; of a face that is flat within its noise, its middle."""
        return min(self.low.value, (self.low.value + self.high.value) / 2)

    @property
    def high_mm(self) -> float:
        """Largest deviation, likewise."""
        return max(self.high.value, (self.low.value + self.high.value) / 2)

    def place(self, *, is_high: bool) -> int:
        """The sample of the largest or least deviation."""
        rows = np.flatnonzero(self.firm)
        return int(rows[np.argmax(self.calm_mm[rows]) if is_high else np.argmin(self.calm_mm[rows])])


def surface_profile(line: SurfaceProfile, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Width of the zone, grown about its own middle, that holds the surface: 2 max |d - m|, m = u - t / 2.

    (ASME Y14.5.1-2019, from memory; u is the part of the zone outside material, and m what ISO 1101
    writes after UZ.)
    """
    return _profile(line, _members(line.region, measured), plan, measured, {})


def line_profile(line: LineProfile, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """The same of the samples in a thin slice about the section plane."""
    normal = np.array(line.normal) / np.linalg.norm(line.normal)
    thickness = SLICE_SPACINGS * measured.samples.spacing_mm
    height = (measured.samples.points_mm - np.array(line.point)) @ normal
    member = _members(line.region, measured) & (np.abs(height) <= thickness / 2)
    if not member.any():
        return Unmeasured("the section plane meets nothing of nominal there")
    return _profile(line, member, plan, measured, {"slice_mm": thickness})


def machining_allowance(line: MachiningAllowance, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Material above the finished face where it is least; where it is largest, if that is worse against ``most``."""
    if line.feature is not None:
        member = samples_of(measured.feature(line.feature, f"characteristic {line.id}"), measured)
    else:
        member = _members(line.region, measured)
    face = _face(line.frame, member, plan, measured, leaves_edges=True)
    if isinstance(face, Unmeasured):
        return face
    limits = limits_of(line, plan, measured).limits
    room_below = np.inf if limits.lower is None else face.low_mm - limits.lower
    room_above = np.inf if limits.upper is None else limits.upper - face.high_mm
    is_high = room_above < room_below
    place = face.place(is_high=is_high)
    area = measured.samples.area_mm2
    is_short = face.used & (face.calm_mm < (limits.lower or 0.0))
    return plain_finding(
        face.high_mm if is_high else face.low_mm,
        _budget(face, plan, measured, is_high=is_high),
        dof={ALIGNMENT: face.frame.dof},
        point_mm=measured.samples.points_mm[place].copy(),
        details={
            "least_allowance_mm": face.low_mm,
            "largest_allowance_mm": face.high_mm,
            "judged": "largest" if is_high else "least",
            "short_share": float(area[is_short].sum() / area[face.used].sum()),
            "seen_share": face.share,
        },
        sample_mask=member,
        gap=gap_text(face.share),
        frame=face.frame.name,
    )


def _profile(
    line: SurfaceProfile | LineProfile, member: Bools, plan: Plan, measured: Measured, told: dict[str, float]
) -> Finding | Unmeasured:
    face = _face(line.frame, member, plan, measured)
    if isinstance(face, Unmeasured):
        return face
    middle = (line.zone / 2 if line.outside is None else line.outside) - line.zone / 2
    is_high = abs(face.high_mm - middle) >= abs(face.low_mm - middle)
    place = face.place(is_high=is_high)
    return plain_finding(
        2 * max(abs(face.low_mm - middle), abs(face.high_mm - middle)),
        {name: 2 * sigma for name, sigma in _budget(face, plan, measured, is_high=is_high).items()},
        dof={ALIGNMENT: face.frame.dof},
        least=0.0,
        point_mm=measured.samples.points_mm[place].copy(),
        details={
            "least_deviation_mm": face.low_mm,
            "largest_deviation_mm": face.high_mm,
            "zone_middle_mm": middle,
            "iso_zone": f"{line.zone:g}" + (f" UZ {middle:+g}" if middle else "") + " mm",
            "seen_share": face.share,
            **told,
        },
        sample_mask=member,
        gap=gap_text(face.share),
        frame=face.frame.name,
    )


def _face(
    frame_name: str | None, member: Bools, plan: Plan, measured: Measured, *, leaves_edges: bool = False
) -> _Face | Unmeasured:
    """The samples of a line.

    leaves_edges : extremes are not read at blunt edges, where points of a displaced neighbour pass for the
        face's own; a profile reads them there too, because the surface's own extremes lie at its borders
    """
    frame = measured.frame(frame_name, plan)
    if isinstance(frame, NoFrame):
        return Unmeasured(frame.reason, sample_mask=member)
    deviation = measured.deviation_in(frame)
    if deviation is None:
        return Unmeasured("no deviation was measured", sample_mask=member)
    used = member & deviation.is_measured
    if not used.any():
        return Unmeasured("the scan shows nothing of it", sample_mask=member)
    samples = measured.samples
    inner = used & ~measured.net.is_at_blunt_edge
    firm = inner if leaves_edges and inner.any() else used
    known = noisy_map(measured.net, deviation, (deviation.distance_mm, deviation.sigma_mm), deviation.is_measured)
    share = float(samples.area_mm2[used].sum() / samples.area_mm2[member].sum())
    return _Face(frame, member, used, firm, known.calm, *both_ends(known, firm), share)


def _budget(face: _Face, plan: Plan, measured: Measured, *, is_high: bool) -> dict[str, float]:
    """Standard uncertainty of an extreme, by source."""
    place = face.place(is_high=is_high)
    samples, normal = measured.samples, measured.samples.normals[place]
    point = samples.points_mm[place]
    is_pose = face.frame is measured.pose_frame
    return {
        SCANNER: scanner_sigma_mm(plan),
        ALIGNMENT: float(np.sqrt(max(normal @ face.frame.covariance_at(point) @ normal, 0.0))),
        "scan noise": (face.high if is_high else face.low).sigma,
        "facets of nominal": float(facet_sigma_mm(measured.nominal, samples)[place]),
        FRAME: measured.frame_sigma_mm(point, normal) if is_pose else 0.0,
        RESOLUTION: UNIFORM * measured.quantum_mm,
    }


def _members(name: str | None, measured: Measured) -> Bools:
    if name is None:
        return np.ones(len(measured.samples.face), dtype=bool)
    return measured.region(name).is_member.copy()

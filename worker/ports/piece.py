"""A port of the piece: the sections of nominal cut through the surface as it was scanned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from worker.measuring.seen import NotMeasured
from worker.ports.calm import calmed, calmed_vectors
from worker.ports.centreline import harmonic
from worker.ports.outlines import Outline, moved_outline, plane_outline
from worker.ports.sections import Port, Pull, Section, volume_mm3
from worker.ports.tube import Tube
from worker.records import Bools, Deviation, Floats

LEAST_SEEN = 0.75  # of an outline or surface: less, and it is guessed rather than measured; common practice, no source
SHARED_POINTS = 2.0  # neighbouring samples share points: the mean of many has twice the variance of free ones
SCAN_NOISE, UNSEEN, SCANNER, FACETS, RESOLUTION, TEMPERATURE = (
    "scan noise",
    "outline not seen",
    "scanner",
    "facets of nominal",
    "file resolution",
    "temperature",
)


@dataclass(frozen=True, kw_only=True)
class Systematic:
    """What does not average out along an outline; standard uncertainties.

    scanner_mm : of a length, such as a diameter;  facets_mm, resolution_mm : of every place of the surface alike
    strain : of the correction to 20 degrees, per unit of length
    """

    scanner_mm: float
    facets_mm: float
    resolution_mm: float
    strain: float


@dataclass(frozen=True, eq=False)
class PortPiece:
    """The piece's own sections, (k,) or (k, 3), in the order of ``Port.sections``.

    is_measured : (k,); where False, the figures are nominal's and must not be read
    area_mm2, hydraulic_diameter_mm : of the piece;  offset_mm : (k, 3) of its centroid from nominal's, in the section;
        areas and offsets without what noise adds along the line
    area_sigma_mm2 : by source, (k,);  offset_covariance_mm2 : (k, 3, 3) from scan noise and what was not seen
    seen_share : (k,) of each outline;  outlines : of the piece
    """

    is_measured: Bools
    area_mm2: Floats
    hydraulic_diameter_mm: Floats
    offset_mm: Floats
    area_sigma_mm2: Mapping[str, Floats]
    offset_covariance_mm2: Floats
    seen_share: Floats
    outlines: tuple[Outline, ...]

    @property
    def least(self) -> int:
        """Which measured section is the smallest."""
        return int(np.argmin(np.where(self.is_measured, self.area_mm2, np.inf)))

    @property
    def area_U_mm2(self) -> Floats:
        """(k,) expanded, k = 2."""
        total: Floats = 2 * np.sqrt(np.sum([sigma**2 for sigma in self.area_sigma_mm2.values()], axis=0))
        return total


@dataclass(frozen=True, eq=False)
class PortVolume:
    """Volume of the piece between the ends, with standard uncertainties by source; how much surface was seen."""

    volume_mm3: float
    sigma_mm3: Mapping[str, float]
    seen_share: float


@dataclass(frozen=True, eq=False)
class Skin:
    """Deviation over a port's samples, gaps closed from their borders.

    off_mm : (s,);  spread_mm : standard deviation of what was measured of the port
    shift_mm : (v, 3) of the vertices;  tube : as they lie then
    """

    off_mm: Floats
    spread_mm: float
    shift_mm: Floats
    tube: Tube


def piece_skin(port: Port, deviation: Deviation) -> Skin | NotMeasured:
    """The port's surface as the piece has it; where the scan has gaps, as even as their borders allow."""
    own = port.samples[deviation.is_measured[port.samples]]
    if not len(own):
        return NotMeasured("the scan shows nothing of the port")
    tube = port.tube
    is_wall = ~tube.is_filling
    vertex, sample = tube.triangles[is_wall].ravel(), tube.corner_sample[is_wall].ravel()
    weight = deviation.is_measured[sample].astype(np.float64)
    count = len(tube.vertices_mm)
    number = np.bincount(vertex, weight, minlength=count)
    total = np.bincount(vertex, weight * deviation.distance_mm[sample], minlength=count)
    known = harmonic(tube, number > 0, total / np.maximum(number, 1.0))
    off = np.zeros(len(deviation.distance_mm))
    off[sample] = np.where(deviation.is_measured[sample], deviation.distance_mm[sample], known[vertex])
    shift = tube.shifts(off)
    return Skin(off, float(np.std(deviation.distance_mm[own])), shift, tube.moved(shift))


def measure_port(
    port: Port,
    deviation: Deviation,
    systematic: Systematic,
    *,
    least_seen: float = LEAST_SEEN,
    skin: Skin | NotMeasured | None = None,
) -> PortPiece | NotMeasured:
    """The sections of nominal cut through the piece; a section seen to less than ``least_seen`` is not measured.

    skin : what ``piece_skin`` gives, where it is at hand
    """
    skin = skin or piece_skin(port, deviation)
    if isinstance(skin, NotMeasured):
        return skin
    seen = np.array([_seen_share(pull, deviation) for pull in port.pulls])
    is_measured = seen >= least_seen
    outlines = tuple(_cut(section, port.tube, skin) for section in port.sections)
    if not is_measured.any():
        return NotMeasured(f"the scan shows no section to {least_seen:.0%} of its outline")
    nominal = np.array([section.area_mm2 for section in port.sections])
    change, offset = _changes(port, outlines)
    sigma = _area_sigma(port, deviation, skin, systematic)
    covariance = _offset_covariance(port, deviation, skin)
    lever = np.array([float(pull.per_mm.sum()) for pull in port.pulls])
    mean_off = calmed(change / lever, sigma[SCAN_NOISE] / lever, is_measured)  # neighbours share it, not the area
    return PortPiece(
        is_measured=is_measured,
        area_mm2=np.where(is_measured, nominal + lever * mean_off, nominal),
        hydraulic_diameter_mm=np.array([4 * outline.area_mm2 / outline.perimeter_mm for outline in outlines]),
        offset_mm=np.where(is_measured[:, None], calmed_vectors(offset, covariance, is_measured), 0.0),
        area_sigma_mm2=sigma,
        offset_covariance_mm2=covariance,
        seen_share=seen,
        outlines=outlines,
    )


def measure_volume(
    port: Port, deviation: Deviation, systematic: Systematic, *, skin: Skin | NotMeasured | None = None
) -> PortVolume | NotMeasured:
    """Volume of the piece's port; gaps of the scan are closed from their borders and counted in its uncertainty.

    skin : what ``piece_skin`` gives, where it is at hand
    """
    skin = skin or piece_skin(port, deviation)
    if isinstance(skin, NotMeasured):
        return skin
    tube, volume = port.tube, volume_mm3(skin.tube)
    corners = tube.vertices_mm[tube.triangles[~tube.is_filling]]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    owner = tube.corner_sample[~tube.is_filling]
    by_sample = np.bincount(owner.ravel(), np.repeat(area / 3, 3), minlength=len(skin.off_mm))[port.samples].astype(
        np.float64
    )
    pull = Pull(port.samples, by_sample, by_sample, np.zeros((len(by_sample), 3)))
    share = _seen_share(pull, deviation)
    if share < LEAST_SEEN:
        return NotMeasured(f"the scan shows {share:.0%} of the port's surface, {LEAST_SEEN:.0%} are needed")
    whole, ends = float(area.sum()), sum(rim.area_mm2 for rim in tube.rims) / 2
    return PortVolume(
        volume_mm3=volume,
        sigma_mm3={
            SCAN_NOISE: float(np.sqrt(_noise_variance(pull, deviation))),
            UNSEEN: (1 - share) * whole * skin.spread_mm,
            SCANNER: (whole / 2 + ends) * systematic.scanner_mm,
            FACETS: whole * systematic.facets_mm,
            RESOLUTION: whole * systematic.resolution_mm,
            TEMPERATURE: 3 * volume * systematic.strain,
        },
        seen_share=share,
    )


def _cut(section: Section, tube: Tube, skin: Skin) -> Outline:
    """The piece's outline in nominal's plane: cut, or at an end, which moves out of the plane, moved in it."""
    cut = None if section.rim is not None else plane_outline(skin.tube, section.origin_mm, section.normal)
    return moved_outline(section.outline, tube, skin.shift_mm) if cut is None else cut


def _changes(port: Port, outlines: tuple[Outline, ...]) -> tuple[Floats, Floats]:
    """Change of area (k,) and shift of the centroid (k, 3)."""
    area = np.array([outline.area_mm2 for outline in outlines])
    nominal = np.array([section.area_mm2 for section in port.sections])
    shift = np.array([outline.centroid_mm for outline in outlines])
    shift -= np.array([section.outline.centroid_mm for section in port.sections])
    normal = np.array([section.normal for section in port.sections])
    return area - nominal, shift - np.einsum("ki,ki->k", shift, normal)[:, None] * normal


def _seen_share(pull: Pull, deviation: Deviation) -> float:
    return float(pull.length_mm @ deviation.is_measured[pull.sample] / pull.length_mm.sum())


def _noise_variance(pull: Pull, deviation: Deviation) -> float:
    """Variance of the loss of area from noise of the scan, which averages along the outline.

    Free for each sample, but that neighbours share points; and no surer than the points there are at all.
    """
    own = deviation.is_measured[pull.sample]
    sample, lever = pull.sample[own], pull.per_mm[own]
    free = SHARED_POINTS * float((lever**2 * deviation.sigma_mm[sample] ** 2).sum())
    points = max(int(deviation.point_count[sample].sum()), 1)
    return max(free, float(lever.sum()) ** 2 * deviation.noise_sigma_mm**2 / points)


def _unseen_mm(pull: Pull, deviation: Deviation) -> float:
    return float(pull.per_mm @ ~deviation.is_measured[pull.sample])


def _area_sigma(port: Port, deviation: Deviation, skin: Skin, systematic: Systematic) -> dict[str, Floats]:
    """Standard uncertainties (k,) of areas by source.

    A length error of the scanner acts on every diameter alike, half of it on each side; facets and steps of
    the file on every place of the outline alike.
    """
    area = np.array([section.area_mm2 for section in port.sections])
    lever = np.array([float(pull.per_mm.sum()) for pull in port.pulls])
    return {
        SCAN_NOISE: np.sqrt([_noise_variance(pull, deviation) for pull in port.pulls]),
        UNSEEN: skin.spread_mm * np.array([_unseen_mm(pull, deviation) for pull in port.pulls]),
        SCANNER: lever / 2 * systematic.scanner_mm,
        FACETS: lever * systematic.facets_mm,
        RESOLUTION: lever * systematic.resolution_mm,
        TEMPERATURE: 2 * area * systematic.strain,
    }


def _offset_covariance(port: Port, deviation: Deviation, skin: Skin) -> Floats:
    """(k, 3, 3) of centroids, from noise and from what was not seen."""
    found = []
    for section, pull in zip(port.sections, port.pulls, strict=True):
        is_seen = deviation.is_measured[pull.sample]
        own = pull.moment_mm[is_seen] * deviation.sigma_mm[pull.sample[is_seen], None]
        free = SHARED_POINTS * own.T @ own
        lever = pull.per_mm[is_seen] * deviation.sigma_mm[pull.sample[is_seen]]
        alike = SHARED_POINTS * float(lever @ lever)
        more = _noise_variance(pull, deviation) / alike if alike > 0 else 1.0
        unseen = pull.moment_mm[~is_seen].sum(axis=0) * skin.spread_mm
        found.append((more * free + np.outer(unseen, unseen)) / section.area_mm2**2)
    return np.array(found).reshape(-1, 3, 3)

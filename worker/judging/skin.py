"""The skin of a plane or a cylinder as the piece has it: calmed patches, carried to nominal's rim.

Patches speak of the surface, not of single noisy points; but their middles end short of the rim,
and a tilt or a bow is largest there.  So the likely surfaces are carried on to nominal's rim, where
the scan reaches near enough.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from worker.features.records import FeatureKind
from worker.fitting.calm import medians
from worker.fitting.records import Element
from worker.fitting.robust import TUKEY, mad_sigma
from worker.judging.kinds_of_size import feature_details
from worker.judging.likely_surface import LikelySurfaces, likely_surfaces
from worker.judging.seen_share import gap_text
from worker.judging.unrolled import LEAST_POINTS, MOST_DEGREE, Layout, Patches, plane_layout, round_layout
from worker.measuring.measured_feature import MeasuredFeature
from worker.records import Bools, Floats, Ints, Nominal

LEAST_PATCHES = 12
PATCHES_PER_TERM = 5  # of the trend: with fewer it follows noise, and runs wild beyond what was seen
SECTION_SHARE = 2 / 3  # of a round that a section must show to be judged by itself
ROUND_KINDS = (FeatureKind.HOLE, FeatureKind.BOSS)


@dataclass(frozen=True, eq=False)
class Skin:
    """Likely surfaces of a feature, in the pose's nominal frame.

    place_mm : (p, 3) on the fitted element, patches first, then nominal's rim
    normal : (p, 3) unit, along the plane's normal or away from the axis
    surfaces : heights of the surface over those places
    band, sector : (p,) of a cylinder: section along the axis, the rims' being -1 and one past the
        last, and direction round it; of a plane: place across its length, place along it
    patch_count : how many are patches;  band_mm, sector_mm : their widths
    noise_mm : typical standard deviation of a patch
    frame : (3, 3) rows, unit: a plane's length, its width and normal; two ways across a cylinder and its axis
    """

    element: Element
    place_mm: Floats
    normal: Floats
    surfaces: LikelySurfaces
    band: Ints
    sector: Ints
    patch_count: int
    band_mm: float
    sector_mm: float
    noise_mm: float
    frame: Floats

    @property
    def is_patch(self) -> Bools:
        """(p,) False on the rim."""
        return np.arange(len(self.band)) < self.patch_count

    def points_mm(self) -> Floats:
        """(p, 3) of the likeliest surface."""
        return self.place_mm + self.surfaces.mean_mm[:, None] * self.normal

    def details(self, found: MeasuredFeature) -> dict[str, float]:
        """What the skin rests on."""
        return {
            **feature_details(found),
            "patch_count": float(self.patch_count),
            "patch_mm": float(np.sqrt(self.band_mm * self.sector_mm)),
            "seen_share": found.seen_share,
        }


def skin_of(found: MeasuredFeature, nominal: Nominal, *, rng: np.random.Generator) -> Skin | str:
    """The skin of a plane, hole or boss; a reason where the scan shows too little of it."""
    layout = plane_layout(found, nominal) if found.feature.kind is FeatureKind.PLANE else round_layout(found)
    patches = _averaged(layout)
    layout = replace(layout, degree=_degree(len(patches.height_mm)))
    if len(patches.height_mm) < LEAST_PATCHES:
        return f"the scan shows only {len(patches.height_mm)} patches of {found.feature.id}, {LEAST_PATCHES} are needed"
    further = (layout.between(patches), layout.near(patches))
    unrolled = np.concatenate([patches.unrolled, *(more.unrolled for more in further)])
    seen, wanted = layout.sites(patches.corners()), layout.sites(unrolled[:, None])
    surfaces = likely_surfaces(seen, (patches.height_mm, patches.sigma_mm), wanted, rng=rng)
    place, normal = layout.placed(unrolled)
    return Skin(
        element=found.element,
        place_mm=place,
        normal=normal,
        surfaces=surfaces,
        band=np.concatenate([patches.band, *(more.band for more in further)]),
        sector=np.concatenate([patches.sector, *(more.sector for more in further)]),
        patch_count=len(patches.height_mm),
        band_mm=float(layout.step[1]),
        sector_mm=float(layout.step[0]),
        noise_mm=float(np.median(patches.sigma_mm)),
        frame=layout.frame,
    )


def gap_of(found: MeasuredFeature) -> str | None:
    """Why a feature may not pass although what was seen of it would."""
    share = min(part for part in (found.seen_share, found.arc_share, found.length_share) if part is not None)
    return gap_text(share)


def sections(skin: Skin, *, has_rim: bool = False) -> list[Ints]:
    """Sites of each section square to the axis that shows most of its round."""
    used = np.ones(len(skin.band), dtype=bool) if has_rim else skin.is_patch
    girth = len(np.unique(skin.sector))
    groups = _groups(skin.band, used)
    return [group for group in groups if len(group) >= SECTION_SHARE * girth]


def lines_of(number: Ints) -> list[Ints]:
    """Sites of each line along the surface that shows most of its length, rim included; number : band or sector."""
    groups = _groups(number, np.ones(len(number), dtype=bool))
    longest = max(len(group) for group in groups)
    return [group for group in groups if len(group) >= max(3, SECTION_SHARE * longest)]


def _groups(number: Ints, used: Bools) -> list[Ints]:
    return [np.flatnonzero(used & (number == value)) for value in np.unique(number[used])]


def _averaged(layout: Layout) -> Patches:
    """Patches of points: their mean place and height, single strays left out."""
    sector, band = layout.cells(layout.unrolled)
    _, cell = np.unique(band * layout.count[0] + sector, return_inverse=True)
    cell = cell.reshape(-1)
    off = layout.height_mm - medians(layout.height_mm, cell)[cell]
    usual = np.maximum(1.4826 * medians(np.abs(off), cell), max(mad_sigma(off), 1e-9))  # more where it is steep
    kept = np.abs(off) <= TUKEY * usual[cell]
    cell, sector, band = cell[kept], sector[kept], band[kept]
    unrolled, height = layout.unrolled[kept], layout.height_mm[kept]
    count = np.bincount(cell)
    mean = np.bincount(cell, height) / np.maximum(count, 1)
    scatter = _noise(unrolled, height)
    used = np.flatnonzero(count >= min(LEAST_POINTS, max(1.0, float(np.median(count)) / 2)))
    first = np.full(len(count), -1, dtype=np.int64)
    first[cell[::-1]] = np.arange(len(cell))[::-1]
    middles = np.column_stack([np.bincount(cell, column) / np.maximum(count, 1) for column in unrolled.T])
    squares = np.column_stack([np.bincount(cell, column**2) / np.maximum(count, 1) for column in unrolled.T])
    spread = np.sqrt(np.maximum(squares - middles**2, 0.0))
    sigma = scatter / np.sqrt(count[used])
    return Patches(middles[used], spread[used], mean[used], sigma, band[first[used]], sector[first[used]])


def _noise(unrolled: Floats, height: Floats) -> float:
    """Standard deviation of single points: from how each differs from its nearest, which form hardly does."""
    if len(height) < 2:
        return 0.0
    nearest = np.asarray(cKDTree(unrolled).query(unrolled, k=2)[1], dtype=np.int64)[:, 1]
    return float(np.sqrt(np.mean((height - height[nearest]) ** 2) / 2))


def _degree(patch_count: int) -> int:
    """Highest power of a plane's trend that so many patches hold."""
    terms = [(degree + 1) * (degree + 2) // 2 for degree in range(MOST_DEGREE + 1)]
    return max(1, sum(PATCHES_PER_TERM * count <= patch_count for count in terms) - 1)

"""How a mesh is cut into planes, cylinders, cones and spheres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True)
class SegmentSettings:
    """What facets and their turns are taken for."""

    crease_rad: float = np.radians(38.0)  # a circle of 10 segments turns by 36 degrees, a chamfer by 45
    lone_turn_rad: float = np.radians(20.0)  # two faces of a body may meet at 30 degrees; a round then turns again
    flat_rad: float = np.radians(5.0)  # needles aside, more is a turn whatever the noise
    needle_grains: float = 8.0  # a triangle lower than that has a normal of noise
    single_step: float = 2.4e-7  # four roundings of single precision, relative to the largest coordinate
    double_step: float = 1e-12  # rounding of double precision, with room for a rotation or two
    kernel_mm: float = 1e-6  # corners of neighbouring faces agree no better than a CAD kernel's own tolerance
    large_share: float = 0.75  # triangles above this quantile of area tell noise from curvature
    grain_factor: float = 24.0  # from a fifth of the shifts to six standard deviations, which none exceeds
    most_grain_mm: float = 1e-3  # text files with four decimals of an inch are rounded to that
    least_flat_share: float = 0.02  # of the edges; with fewer flat pairs the noise cannot be read off them
    fit_grains: float = 3.0  # corners lie within that of the surface fitted to them
    rim_mm: float = 2e-4  # corners on a rim lie on a curve that the CAD kernel only approximates
    rms_grains: float = 0.3  # two standard deviations of the noise; a slice cut out of something rounder shows six
    rms_mm: float = 5e-6  # the same for exact meshes
    wide_ratio: float = 2.5  # a plane is that much wider than the facets of the fillets round it
    wide_border_share: float = 0.8  # along that much of its smooth border
    sharp_border_share: float = 0.5  # of the border smooth at most, and a facet is a face of its own
    tiny_area_share: float = 5e-6  # of the part: a lone triangle that small is left over where surfaces meet
    usual_bulge_share: float = 0.8  # of the facets of curved surfaces bulge less ...
    rare_bulge_share: float = 0.99  # ... and almost all less than this: the mesher's own chord error
    least_area_share: float = 1e-4  # of the part: no mesher leaves single facets of that size in a port wall
    turn_ratio: float = 2.2  # neighbouring facets of one cylinder turn alike, but for a seam's half facet
    leg_rad: float = np.radians(40.0)  # sides of a facet of a cone run together by less
    least_turn_rad: float = np.radians(100.0)  # a band that turns by less is no hole or boss, with a facet to spare
    odd_area: float = 2.0  # a facet that much larger than the middle one of its band runs on beyond the band
    least_facets: int = 3  # two facets are a bend
    band_ratio: float = 2.0  # a band not that much wider than the smooth band beside it is part of something rounder
    slice_ratio: float = 6.0  # the same for cones and for bands smooth at both ends: two rows of a fine torus pass too
    seed_share: float = 0.003  # of a piece's facets that are tried as seeds
    seed_counts: tuple[int, int] = (12, 300)  # at least and at most, so that one port wall does not cost minutes
    seed_corners: int = 14  # twice what a cone needs
    seed_turn_rad: float = np.radians(15.0)  # a piece that turns less fits anything
    most_rings: int = 12  # round a seed; facets so small that this is too few belong to a far finer mesh than needed
    bent_shares: tuple[float, float] = (0.1, 0.3)  # spread of normals the lesser way: a sphere's from, a cylinder's to
    grown_facets: int = 8  # fewer than that from a seed is chance
    normal_rad: float = np.radians(35.0)  # a facet's normal is that near the surface's, coarse ones included

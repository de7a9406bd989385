"""A port of nominal: its centreline, sections square to it, and what its surface says of their areas."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from worker.measuring.seen import NotMeasured
from worker.ports.centreline import Line, centreline
from worker.ports.outlines import Outline, plane_outline, rim_outline
from worker.ports.tube import Rim, Tube, tube_of
from worker.records import Bools, Floats, Ints, Samples

PITCH_SPACINGS = 1.5  # sections this many sample spacings apart see samples of their own, nearly
FEWEST_SECTIONS, MOST_SECTIONS = 16, 40  # between the ends: enough to find a throat, few enough to read
SQUARE_COSINE = float(np.cos(np.radians(4.0)))  # an end this square is a section, at most 0.25 % too large


@dataclass(frozen=True, eq=False)
class Section:
    """One section of nominal.

    along_mm : along the centreline from the wider end
    origin_mm, normal : (3,) of its plane, which the piece is cut by as well
    rim : the end it lies in, if it is that of a flat end
    """

    along_mm: float
    origin_mm: Floats
    normal: Floats
    outline: Outline
    rim: int | None = None

    @cached_property
    def area_mm2(self) -> float:
        """Area inside."""
        return self.outline.area_mm2

    @property
    def hydraulic_diameter_mm(self) -> float:
        """4 A / P."""
        return 4 * self.area_mm2 / self.outline.perimeter_mm


@dataclass(frozen=True, eq=False)
class Pull:
    """How deviations at samples change a section.

    sample : (q,);  length_mm : (q,) of outline that each stands for
    per_mm : (q,) loss of area for each mm of deviation;  moment_mm : (q, 3) the same times the place from the centroid
    """

    sample: Ints
    length_mm: Floats
    per_mm: Floats
    moment_mm: Floats


@dataclass(frozen=True, eq=False)
class Port:
    """A port of nominal.

    sections : in the order of the line; those that an end would cut open are left out
    """

    tube: Tube
    line: Line
    sections: tuple[Section, ...]

    @property
    def least(self) -> int:
        """Which section is the smallest."""
        return int(np.argmin([section.area_mm2 for section in self.sections]))

    @cached_property
    def volume_mm3(self) -> float:
        """Between the ends."""
        return volume_mm3(self.tube)

    @cached_property
    def samples(self) -> Ints:
        """Samples of its surface."""
        return np.unique(self.tube.corner_sample[~self.tube.is_filling])

    @cached_property
    def pulls(self) -> tuple[Pull, ...]:
        """Of each section."""
        return tuple(_pull(self.tube, section.outline) for section in self.sections)


def port_of(samples: Samples, is_member: Bools, *, is_exact: Bools | None = None) -> Port | NotMeasured:
    """The port whose surface the marked samples (s,) are, or why they are none.

    is_exact : (s,) whose deviations are measured from the exact surface, not from facets; all if left out
    """
    tube = tube_of(samples, is_member, np.ones(len(is_member), dtype=bool) if is_exact is None else is_exact)
    if isinstance(tube, NotMeasured):
        return tube
    line = centreline(tube)
    if isinstance(line, NotMeasured):
        return line
    count = int(np.clip(line.length_mm / (PITCH_SPACINGS * tube.spacing_mm), FEWEST_SECTIONS, MOST_SECTIONS))
    inner = [_inner_section(tube, line, float(along)) for along in np.linspace(0.0, line.length_mm, count + 2)[1:-1]]
    ends = [_end_section(tube, line, index) for index in (0, 1)]
    found = [section for section in (ends[0], *inner, ends[1]) if section is not None]
    if not found:
        return NotMeasured("no section square to its middle line closes")
    return Port(tube, line, tuple(found))


def volume_mm3(tube: Tube) -> float:
    """Volume inside, between the ends: of the facets, less what their smooth surface bulges in.

    Over each facet lies the paraboloid through the middles of its curved edges.
    """
    corners = tube.vertices_mm[tube.triangles]
    middle = tube.vertices_mm.mean(axis=0)
    crossing = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    solid = float(np.einsum("ij,ij->", corners.mean(axis=1) - middle, crossing)) / 6
    for rim in tube.rims:
        ends = _rim_ends(tube, rim)
        inward = -np.cross(ends[:, 0] - rim.centre_mm, ends[:, 1] - rim.centre_mm)
        places = (ends[:, 0] + ends[:, 1] + rim.centre_mm) / 3 - middle
        solid += float(np.einsum("ij,ij->", places, inward)) / 6
    curves = tube.curves
    rise = 3 / 8 * (curves.first_off_mm + curves.second_off_mm)[curves.edge].sum(axis=1)
    return -solid - float(np.einsum("ij,ij->", rise, crossing)) / 6


def _rim_ends(tube: Tube, rim: Rim) -> Floats:
    ends: Floats = tube.vertices_mm[
        np.stack([tube.triangles[rim.triangle, rim.side], tube.triangles[rim.triangle, (rim.side + 1) % 3]], axis=1)
    ]
    return ends


def _inner_section(tube: Tube, line: Line, along_mm: float) -> Section | None:
    place, direction = line.at(along_mm)
    outline = plane_outline(tube, place, direction)
    return None if outline is None else Section(along_mm, place, direction, outline)


def _end_section(tube: Tube, line: Line, index: int) -> Section | None:
    """The flat end itself, if it is square to the line."""
    rim = tube.rims[index]
    along = line.length_mm * index
    _, direction = line.at(along)
    if not rim.is_flat or abs(direction @ rim.outward) < SQUARE_COSINE:
        return None
    normal = rim.outward if direction @ rim.outward > 0 else -rim.outward
    return Section(along, rim.centre_mm, normal, rim_outline(tube, rim), index)


def _pull(tube: Tube, outline: Outline) -> Pull:
    own = outline.is_wall
    owner = tube.corner_sample[outline.triangle[own]]
    half = outline.lengths_mm[own, None] / 2
    lever = half / outline.slant[own]
    ends = np.stack([outline.start_mm[own], outline.end_mm[own]], axis=1) - outline.centroid_mm
    share = outline.corner_share[own]
    sample, back = np.unique(owner.ravel(), return_inverse=True)
    back, count = back.reshape(-1), len(sample)

    def gathered(by_corner: Floats) -> Floats:
        total: Floats = np.bincount(back, by_corner.ravel(), minlength=count).astype(np.float64)
        return total

    length = gathered((half[..., None] * share).sum(axis=1))
    per_mm = gathered((lever[..., None] * share).sum(axis=1))
    moment = [gathered((lever[..., None] * share * ends[..., axis, None]).sum(axis=1)) for axis in range(3)]
    return Pull(sample, length, per_mm, np.column_stack(moment))

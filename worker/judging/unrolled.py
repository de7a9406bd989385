"""A plane, hole or boss unrolled: its points as heights over patches, and nominal's rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from worker.fitting.records import Element
from worker.judging.likely_surface import Sites
from worker.measuring.feature_points import rim_edges
from worker.measuring.measured_feature import MeasuredFeature
from worker.records import Floats, Ints, Nominal

PATCH_COUNT = 320  # finer than the waves of a casting or print; the work grows with its cube
LEAST_POINTS = 6  # a patch of fewer is not worth a place of its own
LEAST_SECTORS, MOST_SECTORS = 24, 72  # of a round: eight to a wave of a three-lobed one
LOBES = (2, 3, 4, 5)  # ovality, and what chucks and centreless grinding leave
LEAST_BANDS = 3  # sections along an axis
MOST_DEGREE = 3  # of a plane's trend
REACH_STEPS = 1.5  # patch middles end half a step short of the rim, a little more where points are few
SAME_MM = 1e-6  # places nearer than this are one
EDGE = 0.05  # of a patch: so near the box of a plane's rim, the rim runs along it
WAVES_SHARE = 0.9  # of a round seen: a wider gap has room for a wave that nothing tells of


@dataclass(frozen=True, eq=False)
class Patches:
    """unrolled : (m, 2) mm, round or along the length, and along the axis or across;  others (m,).

    spread_mm : (m, 2) standard deviation of a patch's points both ways
    """

    unrolled: Floats
    spread_mm: Floats
    height_mm: Floats
    sigma_mm: Floats
    band: Ints
    sector: Ints

    def corners(self) -> Floats:
        """(m, 4, 2) places whose mean stands for the patch's, to the second order (Gauss)."""
        ways = np.array([[1.0, 1.0], [1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0]])
        places: Floats = self.unrolled[:, None] + ways * self.spread_mm[:, None]
        return places


@dataclass(frozen=True, eq=False)
class Layout:
    """A feature unrolled: points (n, 2) mm, their heights (n,), and nominal's rim (r, 2).

    low : (2,) mm where patches begin;  step : (2,) their widths;  count : (2,) how many
    radius_mm : None for a plane
    """

    element: Element
    frame: Floats  # (3, 3) rows: two ways across or along the plane, then axis or normal
    unrolled: Floats
    height_mm: Floats
    rim: Floats
    rim_band: Ints | None
    low: Floats
    step: Floats
    count: tuple[int, int]
    radius_mm: float | None
    reach_mm: float
    has_waves: bool = True
    degree: int = MOST_DEGREE

    def scaled(self, unrolled: Floats) -> Floats:
        """Coordinates of order one."""
        half = self.step * self.count / 2
        middle = self.low + half
        along = (unrolled[:, 1] - middle[1]) / half[1]
        if self.radius_mm is None:
            return np.column_stack([(unrolled[:, 0] - middle[0]) / half[0], along])
        turn = unrolled[:, 0] / self.radius_mm
        return np.column_stack([np.cos(turn), np.sin(turn), along])

    def trend(self, unrolled: Floats) -> Floats:
        """What heights may follow without limit: motions of the element, and the commonest forms.

        Bow, twist and lean of a plane to the power its patches show; taper, barrel, bend and two to five lobes,
        alike or growing along it, of a cylinder.  What is left for the process is then small and short.  Of a round
        that is not seen all round waves are left to the process: nothing would hold them where it is unseen.
        """
        at = self.scaled(unrolled)
        if self.radius_mm is None:
            along, across = at.T
            powers = [(i, j) for i in range(self.degree + 1) for j in range(self.degree + 1 - i)]
            return np.column_stack([along**i * across**j for i, j in powers])
        cosine, sine, along = at.T
        if not self.has_waves:
            return np.column_stack([np.ones(len(at)), cosine, sine, along * cosine, along * sine])
        turn = cosine + 1j * sine
        waves = [part for count in LOBES for part in ((turn**count).real, (turn**count).imag)]
        waves += [along * wave for wave in waves]
        ways = [cosine, sine, along * cosine, along * sine, along**2 * cosine, along**2 * sine]
        return np.column_stack([np.ones(len(at)), along, along**2, *ways, *waves])

    def sites(self, places: Floats) -> Sites:
        """Sites (m) of unrolled places (m, q, 2)."""
        flat = places.reshape(-1, 2)
        at, trend = self.scaled(flat), self.trend(flat)
        shape = (*places.shape[:2], -1)
        return Sites(at.reshape(shape), trend.reshape(shape).mean(axis=1))

    def placed(self, unrolled: Floats) -> tuple[Floats, Floats]:
        """Places on the element and its normals there, (n, 3) each."""
        first, second, axis = self.frame
        if self.radius_mm is None:
            place = self.element.point_mm + np.outer(unrolled[:, 0], first) + np.outer(unrolled[:, 1], second)
            return place, np.broadcast_to(axis, place.shape)
        turn = unrolled[:, 0] / self.radius_mm
        outward = np.outer(np.cos(turn), first) + np.outer(np.sin(turn), second)
        return self.element.point_mm + np.outer(unrolled[:, 1], axis) + self.radius_mm * outward, outward

    def cells(self, unrolled: Floats) -> tuple[Ints, Ints]:
        """(sector, band) of each point."""
        number = np.floor((unrolled - self.low) / self.step).astype(np.int64)
        clipped = np.clip(number, 0, np.array(self.count) - 1)
        return clipped[:, 0], clipped[:, 1]

    def between(self, patches: Patches) -> Patches:
        """Places midway between patches round an axis, where the crests of waves may lie; none of a plane."""
        sectors = self.count[0]
        own = patches.band * sectors + patches.sector
        beside = patches.band * sectors + (patches.sector + 1) % sectors
        used = np.isin(beside, own) & (self.radius_mm is not None)
        middle = patches.unrolled[used] + (self.step[0] / 2, 0.0)
        return _unseen(middle, patches.band[used], patches.sector[used] + sectors)

    def near(self, patches: Patches) -> Patches:
        """The rim that patches reach."""
        place, _ = self.placed(self.rim)
        seen, _ = self.placed(patches.unrolled)
        distance, _ = cKDTree(seen).query(place)
        is_near = distance <= self.reach_mm
        sector, band = self._rim_cells()
        return _unseen(self.rim[is_near], band[is_near], sector[is_near])

    def _rim_cells(self) -> tuple[Ints, Ints]:
        """(sector, band) of the rim, straight edges of a plane being lines of their own."""
        sector, band = self.cells(self.rim)
        if self.rim_band is not None:
            is_between = np.arange(len(sector)) % 2 == 1
            return sector + self.count[0] * is_between, self.rim_band
        cell = (self.rim - self.low) / self.step
        for own, at, count in zip((sector, band), cell.T, self.count, strict=True):
            own[at < EDGE] = -1
            own[at > count - EDGE] = count
        return sector, band


def _unseen(unrolled: Floats, band: Ints, sector: Ints) -> Patches:
    """Places that surfaces are wanted at without having been seen."""
    none = np.empty(0)
    return Patches(unrolled, np.zeros_like(unrolled), none, none, band, sector)


def plane_layout(found: MeasuredFeature, nominal: Nominal) -> Layout:
    """A plane along its length and across, from the box round nominal's rim."""
    element, axis = found.element, _direction(found.element)
    start, end = rim_edges(found.feature.triangles, nominal)
    corners = np.concatenate([start, end]) - element.point_mm
    first, second = _long_way(corners - np.outer(corners @ axis, axis), axis)
    offset = found.points_mm - element.point_mm
    ways = np.stack([first, second])
    unrolled, outline = offset @ ways.T, corners @ ways.T
    low, high = outline.min(axis=0), outline.max(axis=0)
    extent = np.maximum(high - low, 1e-9)
    share = float(np.clip(found.feature.area_mm2 / np.prod(extent), 0.05, 1.0)) if found.feature.area_mm2 else 1.0
    wanted = min(PATCH_COUNT, max(len(unrolled) // LEAST_POINTS, 1)) / share
    across = int(np.clip(np.round(np.sqrt(wanted * extent[1] / extent[0])), 2, 40))
    along = int(np.clip(np.round(wanted / across), 3, 120))
    step = extent / (along, across)
    rim = _walked(start - element.point_mm, end - element.point_mm, float(step.max())) @ ways.T
    return Layout(
        element=element,
        frame=np.stack([first, second, axis]),
        unrolled=unrolled,
        height_mm=offset @ axis,
        rim=rim,
        rim_band=None,
        low=low,
        step=step,
        count=(along, across),
        radius_mm=None,
        reach_mm=REACH_STEPS * float(np.linalg.norm(step)),
    )


def round_layout(found: MeasuredFeature) -> Layout:
    """A hole or boss round its axis and along it.

    Raises
    ------
    ValueError
        If it has no axis.

    """
    element, axis, ends = found.element, _direction(found.element), found.feature.ends_mm
    radius = element.radius_mm
    if ends is None or radius is None:
        raise ValueError(f"{found.feature.id} has no axis")
    first = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    first = first / np.linalg.norm(first)
    second = np.cross(axis, first)
    offset = found.points_mm - element.point_mm
    along = offset @ axis
    turn = np.arctan2(offset @ second, offset @ first)
    low, high = np.sort((ends - element.point_mm) @ axis)
    wanted = min(PATCH_COUNT, max(len(along) // LEAST_POINTS, 1))
    girth = 2 * np.pi * radius
    sectors = int(np.clip(np.round(np.sqrt(wanted * girth / (high - low))), LEAST_SECTORS, MOST_SECTORS))
    bands = int(np.clip(np.round(wanted / sectors), LEAST_BANDS, 60))
    step = np.array([girth / sectors, (high - low) / bands])
    middles = (np.arange(2 * sectors) + 0.99) * step[0] / 2 - girth / 2  # of sectors, and between them
    rim = np.concatenate([np.column_stack([middles, np.full(2 * sectors, height)]) for height in (low, high)])
    return Layout(
        element=element,
        frame=np.stack([first, second, axis]),
        unrolled=np.column_stack([turn * radius, along]),
        height_mm=np.hypot(offset @ first, offset @ second) - radius,
        rim=rim,
        rim_band=np.repeat([-1, bands], 2 * sectors),
        low=np.array([-girth / 2, low]),
        step=step,
        count=(sectors, bands),
        radius_mm=radius,
        reach_mm=REACH_STEPS * float(np.linalg.norm(step)),
        has_waves=found.arc_share is None or found.arc_share >= WAVES_SHARE,
    )


def _direction(element: Element) -> Floats:
    if element.direction is None:
        raise ValueError(f"a {element.kind.value} has no direction")
    return element.direction


def _long_way(flat: Floats, axis: Floats) -> tuple[Floats, Floats]:
    """Unit vectors along a plane's greatest spread and across it; of an even one, nearest a part axis."""
    centred = flat - flat.mean(axis=0)
    spread, ways = np.linalg.eigh(np.einsum("ni,nj->ij", centred, centred))
    first = ways[:, 2]
    if spread[2] - spread[1] < 0.01 * spread[2]:
        helper = np.eye(3)[int(np.argmin(np.abs(axis)))]
        first = helper - (helper @ axis) * axis
    first = first - (first @ axis) * axis
    first = first / np.linalg.norm(first)
    first = first * np.sign(first[int(np.argmax(np.abs(first)))])
    return first, np.cross(axis, first)


def _walked(start: Floats, end: Floats, step_mm: float) -> Floats:
    """Points along edges no farther apart than a step, and the edges' ends, each once."""
    count = np.ceil(np.linalg.norm(end - start, axis=1) / step_mm).astype(np.int64).clip(1)
    edge = np.repeat(np.arange(len(start)), count)
    share = (np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)) / count[edge]
    walked = np.concatenate([start[edge] + share[:, None] * (end - start)[edge], end])
    _, first = np.unique(np.round(walked / SAME_MM), axis=0, return_index=True)
    return walked[np.sort(first)]

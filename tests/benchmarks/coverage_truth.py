"""What is true of a simulated piece: closed forms, and exact computations on its dense noise-free surface.

Everything is in the coordinates of the piece's own datum frame ABC: the corner of its three datum planes.  A
hollow bottom rests on its ends, which lie lower than its middle.

Extremes (form, zones of faces, run-out, profiles, walls) are those of the surface the scan shows; what is hidden
may be anything, and a report states how much that is.  Fitted values (sizes, places, directions) are those of
the whole feature.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from tests.benchmarks.coverage_piece import PERFECT, Fault, Piece, strewn
from tests.benchmarks.coverage_zones import envelope_radius, least_band, least_round_band
from tests.support.coverage_part import Ball, Core, CoveragePart, Flat, Round, Slot
from worker.records import Bools, Floats

DENSE_COUNT = 120_000
SECTIONS = 25  # along an axis, its ends included
SECTORS = 120  # round it
DATUM_AXIS = {"D": "bore", "E": "small boss"}


@lru_cache(maxsize=2)
def dense_faces(part: CoveragePart) -> Mapping[str, tuple[Floats, int]]:
    """Points of each plane face: strewn evenly, then its rim; and how many are strewn."""
    points, _, owner = strewn(part, DENSE_COUNT, np.random.default_rng(0))
    corners = part.nominal.vertices_mm[part.nominal.triangles]
    found = {}
    for index, (name, shape) in enumerate(part.shapes.items()):
        if isinstance(shape, Flat):
            own = points[owner == index]
            rim = np.unique(corners[part.owner == index].reshape(-1, 3), axis=0)
            found[name] = (np.concatenate([own, rim]), len(own))
    return MappingProxyType(found)


class Truth:
    """The truths of one piece."""

    def __init__(self, part: CoveragePart, piece: Piece) -> None:
        self.piece = piece
        self._part = part
        self.shapes = piece.shapes
        self._rise = np.array([0.0, 0.0, piece.scale * self.fault("bottom").bow_mm])

    def fault(self, name: str) -> Fault:
        """What is wrong with a shape."""
        return self.piece.faults.get(name, PERFECT)

    @property
    def is_bottom_flat(self) -> bool:
        """Whether the least-squares bottom is the tangent one."""
        return self.fault("bottom").bow_mm == 0

    # surfaces

    def placed(self, name: str, nominal_mm: Floats) -> Floats:
        """Nominal points (n, 3) of a shape where the piece has them."""
        found: Floats = self.piece.surface(name, nominal_mm) + self._rise
        return found

    def face(self, name: str) -> tuple[Floats, Floats]:
        """Points of the seen part of a plane face: nominal's, and the piece's."""
        nominal = dense_faces(self._part)[name][0]
        nominal = nominal[self.piece.is_seen(name, nominal)]
        return nominal, self.placed(name, nominal)

    def plane(self, name: str) -> tuple[Floats, Floats]:
        """Least-squares plane of a whole face: centroid of its points and its normal out of material."""
        nominal, count = dense_faces(self._part)[name]
        points = self.placed(name, nominal[:count])
        middle = points.mean(axis=0)
        normal = np.linalg.svd(points - middle, full_matrices=False)[2][2]
        shape = self.shapes[name]
        assert isinstance(shape, Flat)
        return middle, normal * np.sign(normal @ np.array(shape.normal))

    def wall_grid(self, name: str) -> tuple[Floats, Bools]:
        """Sections (k, m) of a round shape, (k, m, 3): the piece's points, and which are seen (k, m)."""
        shape = self.round(name)
        height, angle = np.meshgrid(
            np.linspace(-shape.half_mm, shape.half_mm, SECTIONS),
            2 * np.pi * np.arange(SECTORS) / SECTORS,
            indexing="ij",
        )
        radius = shape.radius_mm + shape.slope * height
        across = np.stack([radius * np.cos(angle), radius * np.sin(angle), height], axis=2)
        nominal = (shape.middle_mm + across @ shape.axes).reshape(-1, 3)
        seen = self.piece.is_seen(name, nominal).reshape(height.shape)
        return self.placed(name, nominal).reshape(*height.shape, 3), seen

    # elements of whole features

    def round(self, name: str) -> Round:
        """A nominal round shape."""
        shape = self.shapes[name]
        assert isinstance(shape, Round)
        return shape

    def axis(self, name: str) -> tuple[Floats, Floats]:
        """Least-squares axis: its middle and direction.  A bow's mean over its length is a third of its height."""
        shape, fault = self.round(name), self.fault(name)
        aside = np.array(fault.shift_mm[:2]) + np.array([fault.bend_mm / 3, 0.0])
        middle = self.piece.scale * (shape.middle_mm + aside @ shape.axes[:2]) + self._rise
        direction = shape.axes[2] + np.array(fault.turn[:2]) @ shape.axes[:2]
        return middle, direction / np.linalg.norm(direction)

    def diameter(self, name: str) -> float:
        """Least-squares diameter or width; waves of two and more round leave it as it is."""
        shape = self.shapes[name]
        assert isinstance(shape, Round | Ball | Slot)
        return 2 * self.piece.scale * (shape.radius_mm + self.fault(name).growth_mm)

    def envelope(self, name: str, *, inscribed: bool) -> float | None:
        """Diameter of the largest cylinder inside, or the least round, what is seen; None where that holds none."""
        across, height, _ = self._across(name, *self.axis(name))
        radius = envelope_radius(across, height, inscribed=inscribed)
        return None if radius is None else 2 * radius

    def centre(self, name: str) -> Floats:
        """Of a ball; of a slot its middle line at mid depth."""
        shape = self.shapes[name]
        assert isinstance(shape, Ball | Slot)
        middle = shape.middle_mm if isinstance(shape, Ball) else (np.array(shape.start_mm) + np.array(shape.end_mm)) / 2
        moved: Floats = self.piece.scale * (np.array(middle) + np.array(self.fault(name).shift_mm)) + self._rise
        return moved

    # places

    def axis_offset(self, name: str) -> float:
        """Largest distance of the axis from nominal's at the heights of nominal's ends."""
        shape = self.round(name)
        middle, direction = self.axis(name)
        offsets = []
        for end in (np.array(shape.start_mm), np.array(shape.end_mm)):
            along = (end - middle) @ shape.axes[2] / (direction @ shape.axes[2])
            offsets.append(float(np.linalg.norm(middle + along * direction - end)))
        return max(offsets)

    def free_offset(self, name: str) -> float:
        """The same, had the piece not shrunk and rested on nominal's corner: of the errors alone."""
        shape, fault = self.round(name), self.fault(name)
        aside = np.array(fault.shift_mm[:2]) + np.array([fault.bend_mm / 3, 0.0])
        lean = shape.half_mm * np.array(fault.turn[:2])
        return float(max(np.linalg.norm(aside - lean), np.linalg.norm(aside + lean)))

    def slot_offset(self) -> float:
        """Largest distance of the slot's middle plane from nominal's at the ends of its axis."""
        shape, fault = self.shapes["slot"], self.fault("slot")
        assert isinstance(shape, Slot)
        scale, y = self.piece.scale, shape.start_mm[1]
        lean = 20.0 * fault.turn[0]
        # nominal's end at height 40 is met at height 40 / scale of the piece: the lean changes by nothing that counts
        return float(max(abs(scale * (y + fault.shift_mm[1] + way * lean) - y) for way in (-1, 1)))

    def from_axis(self, name: str, datum: str) -> float:
        """Largest distance of one axis from a (perfect) datum axis, over its own length."""
        shape = self.round(name)
        middle, direction = self.axis(name)
        about, along = self.axis(datum)
        half = self.piece.scale * shape.half_mm
        ends = middle + np.outer([-half, half], direction)
        return float(np.linalg.norm(np.cross(ends - about, along), axis=1).max())

    def lean(self, name: str) -> float:
        """By how much an axis leaves nominal's direction over its length."""
        shape, fault = self.round(name), self.fault(name)
        return float(2 * shape.half_mm * self.piece.scale * np.linalg.norm(fault.turn[:2]))

    # zones

    def plane_zone(self, name: str, about: Floats | None = None, *, is_flatness: bool = False) -> float:
        """Least zone of a face: free (flatness), or at nominal's angle to a direction, turning about it."""
        shape = self.shapes[name]
        assert isinstance(shape, Flat)
        _, points = self.face(name)
        points = points - points.mean(axis=0)
        columns = points @ shape.along.T if is_flatness else np.zeros((len(points), 0))
        if about is not None and not is_flatness:
            turn = np.cross(about, shape.normal)
            if np.linalg.norm(turn) > 1e-9:
                columns = (points @ turn)[:, None]
        return least_band(points @ np.array(shape.normal), columns)

    def roundness(self, name: str) -> float:
        """The worst of the sections that are seen in full, all of them if none is."""
        points, seen = self.wall_grid(name)
        _, _, axes = self._frame(name)
        middle, _ = self.axis(name)
        worst = 0.0
        for section, own in zip(points, seen, strict=True):
            if own.mean() > 1 / 3:
                worst = max(worst, least_round_band(((section[own] - middle) @ axes.T)[:, :2]))
        return worst

    def cylindricity(self, name: str) -> float:
        """Of what is seen."""
        across, height, _ = self._across(name, *self.axis(name))
        return least_round_band(across, height)

    def axis_bend(self, name: str) -> float:
        """Straightness of the axis over the heights at which its round is seen: a parabola's own height."""
        _, seen = self.wall_grid(name)
        full = np.flatnonzero(seen.mean(axis=1) > 1 / 3)
        share = (full[-1] - full[0]) / (SECTIONS - 1) if len(full) else 0.0
        return float(abs(self.fault(name).bend_mm) * self.piece.scale * share**2)

    def run_out(self, name: str, datum: str, *, is_total: bool) -> float:
        """Of a round shape about a datum axis: of the worst section, or of all."""
        points, seen = self.wall_grid(name)
        about, along = self.axis(datum)
        radius = np.linalg.norm(np.cross(points - about, along), axis=2)
        if is_total:
            return float(np.ptp(radius[seen]))
        return max((float(np.ptp(row[own])) for row, own in zip(radius, seen, strict=True) if own.any()), default=0.0)

    def face_run_out(self, name: str, *, is_total: bool) -> float:
        """Of the ring's top about the bore: heights on the worst circle, or of all."""
        radius, angle = np.meshgrid(np.linspace(8.0, 14.0, SECTIONS), 2 * np.pi * np.arange(SECTORS) / SECTORS)
        nominal = np.stack([30 + radius * np.cos(angle), 30 + radius * np.sin(angle), np.full(radius.shape, 55.0)], 2)
        flat = nominal.reshape(-1, 3)
        height = self.placed(name, flat)[:, 2].reshape(radius.shape)
        seen = self.piece.is_seen(name, flat).reshape(radius.shape)
        if is_total:
            return float(np.ptp(height[seen])) if seen.any() else 0.0
        circles = zip(height.T, seen.T, strict=True)
        return max((float(np.ptp(row[own])) for row, own in circles if own.any()), default=0.0)

    # deviations

    def deviations(self, name: str) -> Floats:
        """Of the seen part of a face or wall from nominal, > 0 outside."""
        shape = self.shapes[name]
        if isinstance(shape, Flat):
            nominal, points = self.face(name)
            found: Floats = ((points - nominal) * np.array(shape.normal)).sum(axis=1)
            return found
        points, seen = self.wall_grid(name)
        across = (points[seen] - self.round(name).middle_mm) @ self.round(name).axes.T
        radius: Floats = np.linalg.norm(across[:, :2], axis=1) - self.round(name).radius_mm
        return radius if self.round(name).kind == "boss" else -radius

    def profile(self, name: str, middle_mm: float = 0.0) -> float | None:
        """Twice the largest distance from the middle of the zone; None where nothing is seen."""
        found = self.deviations(name)
        return float(2 * np.abs(found - middle_mm).max()) if len(found) else None

    def least_deviation(self, name: str) -> float | None:
        """Where there is least material; None where nothing is seen."""
        found = self.deviations(name)
        return float(found.min()) if len(found) else None

    def shrink_percent(self) -> float:
        """Percent of the piece's own length."""
        return 100 * (1 / self.piece.scale - 1)

    def line_profile(self, name: str, start: Floats, end: Floats) -> float:
        """The same along a line of nominal."""
        shape = self.shapes[name]
        assert isinstance(shape, Flat)
        line = start + np.linspace(0, 1, 400)[:, None] * (end - start)
        line = line[self.piece.is_seen(name, line)]
        moved = (self.placed(name, line) - line) @ np.array(shape.normal)
        return float(2 * np.abs(moved).max()) if len(line) else 0.0

    def roof(self) -> float | None:
        """Least wall between the step and the core's roof, where both are seen."""
        core = self.shapes["core"]
        assert isinstance(core, Core)
        x, y = np.meshgrid(np.linspace(74, 100, 60), np.linspace(18, 40, 50))
        below = np.stack([x, y, np.full(x.shape, core.high_mm[2])], axis=2).reshape(-1, 3)
        above = below + np.array([0.0, 0.0, 5.0])
        seen = self.piece.is_seen("core", below) & self.piece.is_seen("step", above)
        if not seen.any():
            return None
        return float((self.placed("step", above)[seen] - self.placed("core", below)[seen])[:, 2].min())

    def core_shift(self, at_mm: Floats) -> float:
        """How far the core's surface at a place of nominal lies off."""
        core, fault = self.shapes["core"], self.fault("core")
        assert isinstance(core, Core)
        return float(np.linalg.norm(np.array(fault.shift_mm) + np.cross(fault.turn, at_mm - core.middle_mm)))

    def _frame(self, name: str) -> tuple[Floats, Floats, Floats]:
        """Axis as it is, and (3, 3) directions across it and along."""
        middle, direction = self.axis(name)
        first = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
        first /= np.linalg.norm(first)
        return middle, direction, np.stack([first, np.cross(direction, first), direction])

    def _across(self, name: str, middle: Floats, _direction: Floats) -> tuple[Floats, Floats, Floats]:
        """Seen wall across and along its own axis."""
        points, seen = self.wall_grid(name)
        own = (points[seen] - middle) @ self._frame(name)[2].T
        return own[:, :2], own[:, 2], own

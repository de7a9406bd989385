"""What is true of a simulated piece for the decisions before metal is poured.

Closed forms of the planted errors, or extremes over closely strewn places of the noise-free surface: nothing is
shared with the code judged.  Coordinates are those of the piece's own datum frame.  Where a figure is told in
the fit of the whole piece, and shrink would move it there by where that fit lays its centre, there is no truth.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.optimize import minimize
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from tests.benchmarks.coverage_truth import Truth
from tests.support.coverage_part import Ball, Core, Flat, Round
from tests.support.decision_part import BAR_AT_MM, BAR_HALF_MM, LEG_HIGH_MM, LEG_LOW_MM, SHAPES
from worker.records import Floats

ALONG, ROUND = 161, 240  # places of a bore: every half millimetre
SECTION_SEEN = 0.75  # of a section, to be one of those the least is taken of
RIM_SHARE = 0.04  # of half a hole's depth: its rims are no wall of it
DISC = (24, 96)  # places of a disc: Gauss points along the radius, even ones round
UP = np.array([0.0, 0.0, 1.0])


@lru_cache(maxsize=32)
def bore_places(name: str) -> tuple[Floats, Floats]:
    """Heights and angles (n, 2) of places of a nominal bore, and the places (n, 3)."""
    shape = SHAPES[name]
    assert isinstance(shape, Round)
    height, angle = np.meshgrid(
        np.linspace(-shape.half_mm, shape.half_mm, ALONG), 2 * np.pi * np.arange(ROUND) / ROUND, indexing="ij"
    )
    where = np.column_stack([height.ravel(), angle.ravel()])
    return where, bore_points(shape, where)


def bore_points(shape: Round, where: Floats) -> Floats:
    """Places (n, 3) of a nominal bore at heights and angles (n, 2)."""
    radius = shape.radius_mm + shape.slope * where[:, 0]
    across = np.column_stack([radius * np.cos(where[:, 1]), radius * np.sin(where[:, 1]), where[:, 0]])
    found: Floats = shape.middle_mm + across @ shape.axes
    return found


class DecisionTruth(Truth):
    """The truths of one piece."""

    # surfaces

    def bore(self, name: str) -> tuple[Floats, Floats]:
        """Seen places of a bore: heights and angles (n, 2), and where the piece has them (n, 3)."""
        where, nominal = bore_places(name)
        seen = self.piece.is_seen(name, nominal)
        return where[seen], self.placed(name, nominal[seen])

    def middle_at(self, name: str, height_mm: Floats) -> Floats:
        """Middles (n, 3) of a round's sections at heights of nominal's axis, as the piece has them."""
        shape, fault = self.round(name), self.fault(name)
        aside = np.array(fault.shift_mm[:2]) + np.outer(height_mm, fault.turn[:2])
        aside[:, 0] += fault.bend_mm * (height_mm / shape.half_mm) ** 2
        own = shape.middle_mm + np.outer(height_mm, shape.axes[2]) + aside @ shape.axes[:2]
        return np.asarray(self.piece.scale * own, dtype=np.float64)

    def at_level(self, name: str, z_mm: float) -> Floats:
        """Middle (3,) of an upright round's section at a height of the frame."""
        found: Floats = self.middle_at(name, np.array([z_mm / self.piece.scale - self.round(name).middle_mm[2]]))[0]
        return found

    def axis_at_level(self, name: str, z_mm: float) -> Floats:
        """Where (3,) the least-squares axis of an upright round passes a height of the frame."""
        middle, direction = self.axis(name)
        found: Floats = middle + (z_mm - middle[2]) / direction[2] * direction
        return found

    # walls

    def wall_to_core(self, name: str) -> float | None:
        """Least distance of a bore from the core's box, both seen."""
        core, fault = self.shapes["core"], self.fault("core")
        assert isinstance(core, Core)
        _, points = self.bore(name)
        back = Rotation.from_rotvec(fault.turn).inv()
        own = back.apply(points / self.piece.scale - core.middle_mm - np.array(fault.shift_mm)) + core.middle_mm
        foot = np.clip(own, core.low_mm, core.high_mm)
        gap = np.linalg.norm(own - foot, axis=1)[self.piece.is_seen("core", foot)]
        return self.piece.scale * float(gap.min()) if len(gap) else None

    def wall_of_bores(self, first: str, second: str) -> float | None:
        """Least distance of two bores, settled from the nearest seen places of both."""
        (one, near), (other, far) = self.bore(first), self.bore(second)
        if not len(near) or not len(far):
            return None
        gap, index = (np.asarray(part) for part in cKDTree(far).query(near))
        at = int(gap.argmin())
        start = np.r_[one[at], other[int(index[at])]]
        shapes = (self.round(first), self.round(second))

        def apart(where: Floats) -> float:
            ends = [
                self.placed(name, bore_points(shape, part[None]))[0]
                for name, shape, part in zip((first, second), shapes, (where[:2], where[2:]), strict=True)
            ]
            return float(np.linalg.norm(ends[0] - ends[1]))

        half = np.array([0.5, 0.05, 0.5, 0.05])
        bounds = list(zip(start - half, start + half, strict=True))
        found = minimize(apart, start, method="Nelder-Mead", bounds=bounds, options={"xatol": 1e-5, "fatol": 1e-7})
        return float(min(found.fun, gap.min()))

    def room(self, name: str, core_least: float, bolt: str, bolt_least: float) -> float | None:
        """Of a port over the core and beside a bolt, both straight behind its nearest places."""
        walls = self.wall_to_core(name), self.wall_of_bores(name, bolt)
        if walls[0] is None or walls[1] is None:
            return None
        return min(walls[0] - core_least, walls[1] - bolt_least)

    # offsets

    def section_offset(self, axis: str, bore: str, z_mm: float, part: int | None) -> float:
        """From the middle of a bore's section at a height to another's axis there; or that along x or y."""
        offset = self.axis_at_level(axis, z_mm) - self.at_level(bore, z_mm)
        return float(np.linalg.norm(offset)) if part is None else float(offset[part])

    def depth(self, floor: str, face: str, axis: str) -> float:
        """From a face to a floor below it, along an axis."""
        middle, direction = self.axis(axis)
        along = [
            float((point - middle) @ normal / (direction @ normal)) for point, normal in map(self.plane, (floor, face))
        ]
        return along[1] - along[0]

    def off_places(self, name: str) -> Floats:
        """Offsets (2, 3) of the axis from nominal's at the heights of nominal's ends."""
        shape = self.round(name)
        return np.stack([self.axis_at_level(name, end[2]) - end for end in (shape.start_mm, shape.end_mm)])

    def siblings_apart(self, first: str, second: str, mirror: Floats) -> float:
        """Largest difference of the offsets of two upright bores, the second's times signs (3,)."""
        apart = self.off_places(first) - mirror * self.off_places(second)
        return float(np.linalg.norm(apart, axis=1).max())

    # volumes

    def chamber_cc(self) -> float:
        """Cap of the ball below the bottom, which is perfect: pi h^2 (3 R - h) / 3."""
        ball, fault, scale = self.shapes["chamber"], self.fault("chamber"), self.piece.scale
        assert isinstance(ball, Ball)
        radius = scale * (ball.radius_mm + fault.growth_mm)
        height = radius + scale * (ball.middle_mm[2] + fault.shift_mm[2])
        return np.pi * height**2 * (3 * radius - height) / 3 / 1000

    def pocket_cc(self) -> float:
        """Between the pocket's floor and the plane of the top, over the round that its wall leaves at each."""
        over = [self._over_disc(name, level) for name, level in (("top", 50.0), ("pocket floor", 44.0))]
        return self.piece.scale**3 * (over[0] - over[1]) / 1000

    def _over_disc(self, face: str, level_mm: float) -> float:
        """Integral of a face's height over the pocket's round at that level, before shrink."""
        shape, fault = self.round("pocket"), self.fault("pocket")
        nodes, weights = np.polynomial.legendre.leggauss(DISC[0])
        angle = 2 * np.pi * np.arange(DISC[1]) / DISC[1]
        radius = shape.radius_mm + fault.growth_mm + fault.lobe_mm * np.cos(fault.lobe_count * angle + fault.lobe_rad)
        out = radius[:, None] * (nodes + 1) / 2
        area = out * weights * radius[:, None] / 2 * (2 * np.pi / DISC[1])
        middle = self.middle_at("pocket", np.array([level_mm - shape.middle_mm[2]]))[0] / self.piece.scale
        spots = np.stack(
            [
                middle[0] + out * np.cos(angle)[:, None],
                middle[1] + out * np.sin(angle)[:, None],
                np.full(out.shape, level_mm),
            ],
            axis=2,
        )
        heights = self.piece.surface(face, spots.reshape(-1, 3))[:, 2] / self.piece.scale
        return float((area.ravel() * heights).sum())

    # ports

    def areas(self, name: str) -> tuple[Floats, Floats]:
        """Heights of nominal's axis (k,) and areas of the sections there: pi (R^2 + a^2 / 2) for waves of height a."""
        shape, fault = self.round(name), self.fault(name)
        height = np.linspace(-shape.half_mm, shape.half_mm, ALONG)
        radius = shape.radius_mm + fault.growth_mm + (shape.slope + fault.widening) * height
        radius = radius + fault.flare_mm * (height / shape.half_mm) ** 2
        return height, self.piece.scale**2 * np.pi * (radius**2 + fault.lobe_mm**2 / 2)

    def least_area(self, name: str) -> float | None:
        """Of the sections seen; a cone's depends on where along it shrink lets the piece lie."""
        _, nominal = bore_places(name)
        seen = self.piece.is_seen(name, nominal).reshape(ALONG, ROUND).mean(axis=1) >= SECTION_SEEN
        if not seen.any() or (self.round(name).slope and self.piece.scale != 1):
            return None
        return float(self.areas(name)[1][seen].min())

    def volume(self, name: str) -> float | None:
        """Between the planes of nominal's ends."""
        fault = self.fault(name)
        if self.piece.scale != 1 and (self.round(name).slope or fault.flare_mm):
            return None
        height, area = self.areas(name)
        return float(np.trapezoid(area, height))

    def ports_apart(self, first: str, second: str, *, is_mirrored: bool) -> float | None:
        """Largest difference of the middles' offsets from nominal, over heights at which both are seen."""
        if is_mirrored and self.piece.scale != 1:
            return None
        height = bore_places(first)[0].reshape(ALONG, ROUND, 2)[:, 0, 0]
        offsets, both = [], np.ones(ALONG, dtype=bool)
        for name in (first, second):
            shape = self.round(name)
            offsets.append(self.middle_at(name, height) - shape.middle_mm - np.outer(height, shape.axes[2]))
            seen = self.piece.is_seen(name, bore_places(name)[1]).reshape(ALONG, ROUND)
            both &= seen.mean(axis=1) >= SECTION_SEEN
        apart = offsets[0] - np.array([-1.0 if is_mirrored else 1.0, 1.0, 1.0]) * offsets[1]
        apart[:, 1] = 0.0  # along the ports: no part of a section's offset
        return float(np.linalg.norm(apart, axis=1)[both].max()) if both.any() else None

    # fits

    def bracket_clearance(self) -> float | None:
        """Of the bracket's leg from the step: seated on the top, over two bolts."""
        point, up = self.plane("top")
        first, second = (self._met(name, point, up) for name in ("bolt 1", "bolt 2"))
        along = (second - first) / np.linalg.norm(second - first)
        axes = np.stack([np.cross(along, up), along, up])
        x, y = np.meshgrid(np.linspace(96.0, 116.0, 81), np.linspace(29.0, 59.0, 121))
        nominal = np.stack([x.ravel(), y.ravel(), np.full(x.size, 36.0)], axis=1)
        own = (self.placed("step", nominal[self.piece.is_seen("step", nominal)]) - first) @ axes.T
        beyond = np.maximum(np.maximum(np.array(LEG_LOW_MM) - own, own - np.array(LEG_HIGH_MM)), 0.0)
        return float(np.linalg.norm(beyond, axis=1).min()) if len(own) else None

    def _met(self, name: str, point_mm: Floats, normal: Floats) -> Floats:
        middle, direction = self.axis(name)
        found: Floats = middle + ((point_mm - middle) @ normal) / (direction @ normal) * direction
        return found

    def bar_clearance(self) -> float | None:
        """Of the turning bar from the top, which is plane: height of its axis at an end, less its corner's radius."""
        if self.piece.scale != 1:
            return None
        point, up = self.plane("top")
        ends = np.array(BAR_AT_MM) + np.outer([-1, 1], [0.0, BAR_HALF_MM[1], 0.0])
        return float(((ends - point) @ up).min() - np.hypot(BAR_HALF_MM[0], BAR_HALF_MM[2]))

    def rod_gap(self, start: Floats, end: Floats, radius_mm: float) -> float | None:
        """Round a straight rod in the two bores of its passage."""
        points = np.concatenate([self.bore(name)[1] for name in ("rod low", "rod high")])
        along = (end - start) / np.linalg.norm(end - start)
        radius = np.linalg.norm(np.cross(points - start, along), axis=1)
        return float(radius.min() - radius_mm) if len(radius) else None

    # fasteners

    def metal(self, name: str) -> float | None:
        """Least metal round an upright hole, square to its axis, to seen ports, core, and the perfect sides."""
        middle, along = self.axis(name)
        half = (1 - RIM_SHARE) * self.round(name).half_mm * self.piece.scale
        found = []
        for points in self._others():
            height = (points - middle) @ along
            aside = points - middle - np.outer(height, along)
            found += [np.linalg.norm(aside[np.abs(height) <= half], axis=1)]
        ends = middle + np.outer([-half, half], along)
        across = np.sqrt(1 - along[:2] ** 2)
        sides = [(ends[:, k] / across[k]).min() for k in range(2) if self._is_side_seen(k, self.round(name))]
        least = np.concatenate([*found, sides]).min(initial=np.inf)
        return float(least - self.diameter(name) / 2) if np.isfinite(least) else None

    def _is_side_seen(self, part: int, hole: Round) -> bool:
        """Whether left or front is seen all along the hole's foot."""
        foot = np.linspace(hole.start_mm, hole.end_mm, 12)
        foot[:, part] = 0.0
        return bool(self.piece.is_seen(("left", "front")[part], foot).all())

    def _others(self) -> list[Floats]:
        """Seen places of ports and core."""
        core = self.shapes["core"]
        assert isinstance(core, Core)
        low, high = np.array(core.low_mm), np.array(core.high_mm)
        y, z = np.meshgrid(np.linspace(low[1], high[1], 221), np.linspace(low[2], high[2], 41))
        sides = [np.stack([np.full(y.size, x), y.ravel(), z.ravel()], axis=1) for x in (low[0], high[0])]
        nominal = np.concatenate(sides)
        placed = self.placed("core", nominal[self.piece.is_seen("core", nominal)])
        return [placed, *(self.bore(name)[1] for name in ("port 1", "port 2"))]

    def metal_at_site(self, spot_mm: Floats, radius_mm: float, depth_mm: float) -> float | None:
        """Round a drilled hole with a round end, from the mean of the top down, to whatever is seen."""
        if self.piece.scale != 1:
            return None
        shape = self.shapes["top"]
        assert isinstance(shape, Flat)
        begin = spot_mm + self.fault("top").growth_mm * UP
        gaps = [self._to_segment(self.bore(name)[1], begin, depth_mm) for name in SHAPES if self._is_bore(name)]
        reach = np.linspace(0, depth_mm, 9)
        for name in ("step wall", "back"):
            point, normal = self.plane(name)
            gaps.append(np.abs((begin - np.outer(reach, UP) - point) @ normal))
        gaps.append(np.array([spot_mm[0], spot_mm[1]]))
        return float(np.concatenate(gaps).min() - radius_mm)

    def _is_bore(self, name: str) -> bool:
        return isinstance(self.shapes[name], Round) and name not in {"rod low", "throat"}

    def _to_segment(self, points_mm: Floats, begin_mm: Floats, depth_mm: float) -> Floats:
        """Distances (n,) of places from a line of that length going down."""
        off = points_mm - begin_mm
        off[:, 2] -= np.clip(off[:, 2], -depth_mm, 0.0)
        found: Floats = np.linalg.norm(off, axis=1)
        return found

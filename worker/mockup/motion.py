"""A motion without gaps: least clearance over all positions, with a bound on what lies between those looked at.

Between two positions no point moves farther than its arc, so no clearance falls by more.  The search looks next
where the bound is lowest, until bound and find agree (S. A. Piyavskii, USSR Comput. Math. Math. Phys. 12(4), 1972;
B. O. Shubert, SIAM J. Numer. Anal. 9(3), 1972; both from memory).
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from worker.records import Floats
from worker.rigid import RigidTransform

EDGE_SHARE = 0.1  # of an interval: a split nearer its end would hardly shorten it


@dataclass(frozen=True, kw_only=True)
class SweepSettings:
    """How closely a motion is looked at."""

    tolerance_mm: float = 0.01  # bound and find agree to that: a tenth of the least clearances asked for in the trade
    tolerance_share: float = 0.005  # or to this share of the clearance, where that is more
    depth_tolerance_mm: float = 0.05  # of interference, whose depth is an estimate
    start_count: int = 13  # positions looked at in any case: the curve can be drawn
    most_positions: int = 600  # about ten seconds; what stays unsettled is told


@dataclass(frozen=True, eq=False)
class Path:
    """A motion of bodies in the frame they are placed in.

    start, end : of the parameter: rad of a turn, mm of a slide
    point_mm, axis : (3,) of a turn, axis unit; of a slide ``point_mm`` is None and the axis is its direction
    """

    start: float
    end: float
    axis: Floats
    point_mm: Floats | None

    def at(self, position: float) -> RigidTransform:
        """The motion from where the bodies are placed to that position."""
        if self.point_mm is None:
            return RigidTransform(np.eye(3), position * self.axis)
        return RigidTransform.about(position * self.axis, np.zeros(3), self.point_mm)

    def reach(self, points_mm: Floats) -> float:
        """The longest way any of points (n, 3) moves in a unit of the parameter."""
        if self.point_mm is None:
            return 1.0
        return float(np.linalg.norm(np.cross(points_mm - self.point_mm, self.axis), axis=1).max())


@dataclass(frozen=True, eq=False)
class Sweep:
    """Clearances over a motion.

    positions : (n,) looked at, ascending;  clearance_mm : (n, b) of each body at each
    bound_mm : no body comes nearer than this at any position
    """

    positions: Floats
    clearance_mm: Floats
    bound_mm: float

    @property
    def least(self) -> tuple[int, int]:
        """Row of the position and number of the body of the least clearance."""
        row, body = np.unravel_index(int(np.argmin(self.clearance_mm)), self.clearance_mm.shape)
        return int(row), int(body)


Clearances = Callable[[float], Sequence[float]]


def sweep(clearances: Clearances, span: tuple[float, float], reach: Floats, settings: SweepSettings) -> Sweep:
    """Look at a motion until nothing between the positions can matter.

    clearances : of each body (b,) at a position;  span : start and end, ascending
    reach : (b,) the longest way any point of a body moves in a unit of the parameter
    """
    positions = [float(at) for at in np.linspace(*span, settings.start_count)]
    found = [np.array(clearances(at), dtype=np.float64) for at in positions]
    least = min(float(values.min()) for values in found)
    waiting = [_interval(positions, found, (n, n + 1), reach) for n in range(len(positions) - 1)]
    heapq.heapify(waiting)
    while waiting[0][0] < least - _tolerance(least, settings) and len(positions) < settings.most_positions:
        _, low, high, split = heapq.heappop(waiting)
        positions.append(split)
        found.append(np.array(clearances(split), dtype=np.float64))
        least = min(least, float(found[-1].min()))
        new = len(positions) - 1
        for ends in ((low, new), (new, high)):
            heapq.heappush(waiting, _interval(positions, found, ends, reach))
    order = np.argsort(positions, kind="stable")
    return Sweep(np.array(positions)[order], np.stack(found)[order], min(least, waiting[0][0]))


def _tolerance(least_mm: float, settings: SweepSettings) -> float:
    if least_mm < 0:
        return settings.depth_tolerance_mm
    return max(settings.tolerance_mm, settings.tolerance_share * least_mm)


def _interval(
    positions: Sequence[float], found: Sequence[Floats], ends: tuple[int, int], reach: Floats
) -> tuple[float, int, int, float]:
    """(bound, its ends, where to look next): the lowest place two cones from its ends leave."""
    low, high = ends
    length = positions[high] - positions[low]
    way = reach * length
    bounds = (found[low] + found[high] - way) / 2
    body = int(np.argmin(bounds))
    lowest = 0.5 + (found[low][body] - found[high][body]) / (2 * way[body]) if way[body] > 0 else 0.5
    share = float(np.clip(lowest, EDGE_SHARE, 1 - EDGE_SHARE))
    return float(bounds.min()), low, high, positions[low] + share * length

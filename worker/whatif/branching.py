"""All moves within the limits, by boxes: none in which some margin stays below nothing need be looked into.

Branch and bound with bounds that hold by how fast margins can change (A. H. Land and A. G. Doig, Econometrica 28(3),
1960; S. A. Piyavskii, USSR Comput. Math. Math. Phys. 12(4), 1972; both from memory).  Boxes nearest to no move come
first, so that what is left when the search ends tells how short a move could still be.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import numpy as np

from worker.records import Floats
from worker.whatif.estimate import Estimate, Spent


@dataclass(frozen=True, kw_only=True)
class BranchSettings:
    """How closely all moves are looked at."""

    most_boxes: int = 12_000  # a bound on time; what stays open is told by the bound
    resolution_mm: float = 0.01  # boxes no wider are not cut further: finer than any pattern is moved
    level_tolerance: float = 0.005  # of the best margin, where no move does


@dataclass(frozen=True, eq=False)
class Search:
    """What a search over all moves gave.

    move_mm : (v,) the best found, None for none;  value : its length, or its least margin
    bound : no move does better: none is shorter, or none has a higher least margin, slack included
    is_whole : all moves were looked at, down to the resolution
    """

    move_mm: Floats | None
    value: float
    bound: float
    is_whole: bool
    box_count: int


@dataclass(order=True)
class _Box:
    key: float
    number: int
    middle_mm: Floats = field(compare=False)
    half_mm: Floats = field(compare=False)


@dataclass(eq=False)
class _Course:
    """Boxes that wait, lowest key first."""

    estimate: Estimate
    settings: BranchSettings
    slack: float
    waiting: list[_Box] = field(default_factory=list)
    count: int = 0
    is_spent: bool = False

    def start(self, key: float) -> None:
        """Wait with the whole box of limits."""
        most = self.estimate.problem.most_mm
        self.push(key, np.zeros(len(most)), most)

    def push(self, key: float, middle_mm: Floats, half_mm: Floats) -> None:
        """Wait with a box."""
        heapq.heappush(self.waiting, _Box(key, self.count, middle_mm, half_mm))
        self.count += 1

    def next(self, below: float) -> _Box | None:
        """The next box, of a key below a level; none when all is done or used up."""
        if self.count >= self.settings.most_boxes:
            self.is_spent = True
        if self.is_spent or not self.waiting or self.waiting[0].key >= below:
            return None
        return heapq.heappop(self.waiting)

    def look(self, box: _Box, level: float, wanted: float) -> tuple[Floats, Floats] | None:
        """Margins and their upper bounds of a box; None when no more may be judged."""
        try:
            return self.estimate.look((box.middle_mm, box.half_mm), self.slack, level, wanted)
        except Spent:
            self.is_spent = True
            heapq.heappush(self.waiting, box)
            return None

    def width(self, box: _Box) -> float:
        """The widest side of a box, of those that any margin changes along."""
        return float((2 * box.half_mm * self.estimate.rates.per_mm.any(axis=0)).max())

    def halves(self, box: _Box) -> list[tuple[Floats, Floats]]:
        """A box cut across the number that margins can change most by."""
        rates = self.estimate.rates.per_mm
        axis = int(np.argmax(np.where(np.isfinite(rates), rates, 1.0).max(axis=0) * box.half_mm))
        half = box.half_mm.copy()
        half[axis] /= 2
        way = np.zeros(len(half))
        way[axis] = half[axis]
        return [(box.middle_mm - way, half), (box.middle_mm + way, half)]


def shortest(estimate: Estimate, settings: BranchSettings, slack: float, aim: float) -> Search:
    """The shortest move with every margin at least ``aim``, and how short any with none below nothing could be."""
    course = _Course(estimate, settings, slack)
    course.start(0.0)
    best, length, floor = None, np.inf, np.inf
    while (box := course.next(length - settings.resolution_mm)) is not None:
        own = float(np.linalg.norm(box.middle_mm))
        is_last = course.width(box) <= settings.resolution_mm
        wanted = -np.inf if is_last and box.key < floor else aim if own < length else np.inf
        looked = course.look(box, 0.0, wanted)
        if looked is None:
            break
        margins, upper = looked
        if upper.min() < 0:
            continue
        if margins.min() >= aim and own < length:
            best, length = box.middle_mm, own
        if is_last:
            floor = min(floor, box.key)
            continue
        for middle, half in course.halves(box):
            course.push(_from_nothing(middle, half), middle, half)
    open_key = course.waiting[0].key if course.waiting else np.inf
    return Search(best, length, min(floor, open_key, length), not course.is_spent, course.count)


def highest(estimate: Estimate, settings: BranchSettings, slack: float) -> Search:
    """The move with the highest least margin, and a level that none passes."""
    course = _Course(estimate, settings, slack)
    course.start(-np.inf)
    best, level, ceiling = None, -np.inf, -np.inf
    while (box := course.next(-(level + settings.level_tolerance + slack))) is not None:
        looked = course.look(box, level, level)
        if looked is None:
            break
        margins, upper = looked
        own, top = float(margins.min()), float(upper.min())
        if own > level:
            best, level = box.middle_mm, own
        is_last = course.width(box) <= settings.resolution_mm / 4
        if is_last or top <= level + settings.level_tolerance + slack:
            ceiling = max(ceiling, top)
            continue
        for middle, half in course.halves(box):
            course.push(-top, middle, half)
    open_top = -course.waiting[0].key if course.waiting else -np.inf
    return Search(best, level, max(ceiling, open_top), not course.is_spent, course.count)


def _from_nothing(middle_mm: Floats, half_mm: Floats) -> float:
    """Length of the shortest move in a box."""
    return float(np.linalg.norm(np.maximum(np.abs(middle_mm) - half_mm, 0.0)))

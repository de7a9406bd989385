"""The smallest move that makes lines conform, or the proof that none within the limits does.

All moves are searched by boxes (``branching``), walls by the calmed skins alone; what is found is put exactly on its
limits under tangents of the lines' own margins, drawn anew at each answer, and judged by the lines before it is
believed.  What the search excluded is claimed only as far as the light walls and the lines agreed where both are known.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np

from shared.plan import Solve
from worker.records import Characteristic, Floats, Verdict
from worker.whatif.arrows import parts_mask, step_marks
from worker.whatif.branching import BranchSettings, Search, highest, shortest
from worker.whatif.estimate import Estimate
from worker.whatif.margins import Problem
from worker.whatif.records import Outcome, Solved
from worker.whatif.scenarios import Stand, rows_of
from worker.whatif.tangents import straight_best, straight_least

AIM = 1e-4  # inside the guarded limit, so that rounding does not leave the answer outside; no report shows as little
CONVEX = ("distance", "position", "size")  # kinds whose value is convex in shifts of what they speak of
NEAR = 2e-3  # margins this close to the least hold the answer together


@dataclass(frozen=True, kw_only=True)
class SolveSettings:
    """How hard is looked."""

    iterations: int = 12  # straight walls take two or three, a bore past a curved wall about six
    lifts: int = 4  # a margin held by straight walls is highest after one
    settled_mm: float = 1e-4  # a step less than that is lost in what is shown
    failures: int = 2  # of making a move shorter: of a rough wall the lines tell another least from move to move
    rounds: int = 3  # of searching anew with what was learnt of light walls
    most_judged: int = 60  # moves judged by lines whose figure has no light form, each as long as judging them
    most_corners: int = 16  # of the box of limits, all of them up to four freedoms; each is a judgement of its lines
    straight: float = 2e-4  # of a margin: farther off its tangent nowhere, it is straight
    most_unbounded: int = 40  # moves judged where nothing can be excluded: a coarse grid of three freedoms
    first_slack: float = 0.004  # light walls agree with the lines to some thousandths on calm surfaces
    slack_factor: float = 1.5  # of the disagreement seen where both were judged
    branch: BranchSettings = field(default_factory=BranchSettings)


@dataclass(frozen=True, eq=False)
class _Known:
    """What a search may claim.

    estimate, slack : that it was made with;  tried : moves at which light walls and lines were compared
    search : None before the first
    """

    estimate: Estimate
    slack: float
    tried: tuple[Floats, ...]
    search: Search | None = None

    @property
    def off(self) -> float:
        """The most that light walls and lines were apart."""
        return max(self.estimate.off(move) for move in self.tried)

    @property
    def is_sound(self) -> bool:
        """Whether light walls and rates held wherever both are known."""
        return self.off <= self.slack + AIM and self.estimate.rates_hold()

    @property
    def looked(self) -> Search:
        """The last search."""
        if self.search is None:
            raise ValueError("nothing was searched yet")
        return self.search

    def tried_too(self, move_mm: Floats) -> _Known:
        """The same with one more move at which both are known."""
        return replace(self, tried=(*self.tried, move_mm))

    def learnt(self, factor: float) -> _Known:
        """Light walls set midway of what the lines lay above them, with slack for what is left."""
        estimate = self.estimate.centred(self.tried)
        off = max(estimate.off(move) for move in self.tried)
        return replace(self, estimate=estimate, slack=max(self.slack, factor * off), search=None)


def solve_plan(solve: Solve, stand: Stand, settings: SolveSettings | None = None) -> Solved:
    """The least move within the limits after which every named line conforms, U included.

    Objective: least sum of squares of the freedoms, a turn counting as the arc of its part's farthest place.

    Raises
    ------
    PlanInvalid
        If a move names what the piece does not have.

    """
    settings = settings or SolveSettings()
    problem = Problem.of_plan(solve, stand)
    still = np.zeros(len(problem.freed))
    reason = next((why for why in map(why_not, problem.lines(still)) if why is not None), None)
    if reason is not None:
        return _record(solve, problem, None, Outcome.NOT_MEASURED, f"Nothing was solved: {reason}.")
    if problem.conforms(still):
        return _record(solve, problem, still, Outcome.ALREADY, "Every line named conforms without a move.")
    estimate = Estimate.of(problem, settings.most_judged)
    if not estimate.can_exclude:
        return _unbounded(solve, replace(estimate, most_judged=settings.most_unbounded), settings)
    if _bends_one_way(estimate, settings):
        found = _straight(solve, estimate, settings)
        if found is not None:
            return found
    return _bounded(solve, estimate, settings)


def why_not(line: Characteristic) -> str | None:
    """Why no move can show that a line conforms."""
    if line.measured is None:
        return f"{line.id} is not measured, for {line.reason or 'no reason was recorded'}"
    low, high = line.limits.lower, line.limits.upper
    if low is None and high is None:
        return f"{line.id} states no limit"
    return None


def _unbounded(solve: Solve, estimate: Estimate, settings: SolveSettings) -> Solved:
    """Lines of which no move can be excluded: a look from no move, and from the best of a coarse grid."""
    problem = estimate.problem
    why = "how fast these lines can change is not known"
    move = _polished(estimate, np.zeros(len(problem.freed)), settings)
    if move is not None:
        return _found(solve, problem, move, None, f"That no smaller move does was not shown: {why}.")
    search = highest(estimate, settings.branch, 0.0)
    start = np.zeros(len(problem.freed)) if search.move_mm is None else search.move_mm
    move = _polished(estimate, start, settings)
    if move is None and problem.conforms(start):
        move = start
    if move is not None:
        return _found(solve, problem, move, None, f"That no smaller move does was not shown: {why}.")
    tried = f"{problem.judged_count} moves were judged; that none does was not shown: {why}."
    return _none(solve, problem, start, None, tried)


def _bends_one_way(estimate: Estimate, settings: SolveSettings) -> bool:
    """Whether every figure is a distance of elements that are shifted: such values are convex in the shift."""
    problem = estimate.problem
    return (
        all(problem.stand.line(name).kind in CONVEX for name in problem.names)
        and not any(freed.is_turn for freed in problem.freed)
        and 2 ** len(problem.freed) <= settings.most_corners
    )


def _straight(solve: Solve, estimate: Estimate, settings: SolveSettings) -> Solved | None:
    """By tangents at no move: margins bent toward failing lie under them, others are farthest above at a corner.

    None where a move was found that need not be the smallest.
    """
    problem = estimate.problem
    still = np.zeros(len(problem.freed))
    here, slopes = problem.margins(still), estimate.slopes(still)
    corners = np.array(list(product((-1.0, 1.0), repeat=len(still)))) * problem.most_mm
    off = np.array([problem.margins(corner) for corner in corners]) - here - corners @ slopes.T
    is_upper = np.array([side == 1 for _, side in problem.sides])
    how = f"shown by tangents and the {len(corners)} corners of the limits"
    move = _polished(estimate, still, settings)
    if move is not None:
        if not (is_upper | (np.abs(off).max(axis=0) <= settings.straight)).all():
            return None
        floor = max(float(np.linalg.norm(move)) - settings.straight, 0.0)
        shown = f"No shorter move does: the margins are straight or bent toward failing, {how}."
        return _found(solve, problem, move, floor, shown)
    best, level = straight_best(here, slopes, problem.most_mm)
    bound = level + max(float(off.max()), 0.0)
    if bound >= 0:
        return None
    best = _lifted(estimate, best, settings)
    return _none(solve, problem, best, bound, f"No move brings the least room above {bound:.3f}: {how}.")


def _bounded(solve: Solve, estimate: Estimate, settings: SolveSettings) -> Solved:
    """Search all moves, learn how the light walls lie to the lines, and search again until both agree."""
    problem, best, aim = estimate.problem, None, AIM
    known = _Known(estimate, settings.first_slack * bool(estimate.is_light.any()), (np.zeros(len(problem.freed)),))
    for _ in range(settings.rounds):
        search = shortest(known.estimate, settings.branch, known.slack, aim)
        known = replace(known, search=search)
        if search.move_mm is None:
            break
        move = _best_of(estimate, search.move_mm, settings)
        best = _shorter(problem, best, move)
        known = known.tried_too(search.move_mm if move is None else move)
        if known.off <= known.slack and move is not None:
            break
        aim += 0.0 if move is not None else max(AIM, AIM - float(problem.margins(search.move_mm).min()))
        claimed, known = known, known.learnt(settings.slack_factor)
    else:
        known = claimed
    if best is not None:
        return _found(solve, problem, best, *_claim(known, float(np.linalg.norm(best))))
    return _none_bounded(solve, known, settings)


def _best_of(estimate: Estimate, start_mm: Floats, settings: SolveSettings) -> Floats | None:
    """A move that conforms near a start: on its limits, or the start itself."""
    move = _polished(estimate, start_mm, settings)
    if move is None and estimate.problem.conforms(start_mm):
        return start_mm
    return move


def _shorter(problem: Problem, one: Floats | None, other: Floats | None) -> Floats | None:
    kept = [move for move in (one, other) if move is not None and problem.conforms(move)]
    return min(kept, key=_length, default=None)


def _length(move_mm: Floats) -> float:
    return float(np.linalg.norm(move_mm))


def _polished(estimate: Estimate, start_mm: Floats, settings: SolveSettings) -> Floats | None:
    """The least move found by tangents that conforms when tried; None where none does.

    Light walls are followed by themselves, from where the lines last put them; each answer is then tried by the lines,
    until one that conforms is no longer made shorter by what they tell.
    """
    problem, move = estimate.problem, start_mm
    best, failed = _shorter(problem, None, start_mm), 0
    for _ in range(settings.iterations):
        found = _along_light(estimate, move, settings)
        if found is None:
            break
        step, move = float(np.abs(found - move).max()), found
        shorter = _shorter(problem, best, move)
        failed += int(shorter is best and best is not None)
        best = shorter
        if best is not None and (step < settings.settled_mm or failed >= settings.failures):
            break
    return best


def _along_light(estimate: Estimate, start_mm: Floats, settings: SolveSettings) -> Floats | None:
    """The least move under tangents: of light walls one more at each answer, of other lines at the start alone."""
    problem, move = estimate.problem, start_mm
    here, slopes = problem.margins(start_mm), estimate.slopes(start_mm)
    light = estimate.is_light
    if not light.any():
        return straight_least(here - AIM - slopes @ move, slopes, problem.most_mm)
    above = here[light] - estimate.light(start_mm)[light]
    rests, ways = [here - slopes @ move], [slopes]
    for _ in range(settings.iterations):
        found = straight_least(np.concatenate(rests) - AIM, np.concatenate(ways), problem.most_mm)
        if found is None:
            return None
        step, move = float(np.abs(found - move).max()), found
        if step < settings.settled_mm:
            break
        own = estimate.light_slopes(move)[light]
        rests.append(estimate.light(move)[light] + above - own @ move)
        ways.append(own)
    return move


def _lifted(estimate: Estimate, start_mm: Floats, settings: SolveSettings) -> Floats:
    """A move with a higher least margin near a start, under tangents, as long as each answer is one."""
    problem, move = estimate.problem, start_mm
    for _ in range(settings.lifts):
        here, slopes = problem.margins(move), estimate.slopes(move)
        found, _ = straight_best(here - slopes @ move, slopes, problem.most_mm)
        if problem.margins(found).min() <= here.min() + AIM:
            break
        move = found
    return move


def _claim(known: _Known, length_mm: float) -> tuple[float | None, str]:
    """How short a move could still be, and what is said of it."""
    floor = min(known.looked.bound, length_mm)
    if not known.is_sound:
        return None, f"That no smaller move does was not shown: {_unsound(known)}."
    if floor <= 0:
        return None, f"That no smaller move does was not shown in the {known.looked.box_count} boxes looked at."
    return floor, (
        f"No move shorter than {floor:.3f} mm does, so that it is the smallest to within {length_mm - floor:.3f} mm: "
        f"shown over all moves within the limits{_how(known)}."
    )


def _how(known: _Known) -> str:
    count = f" in {known.looked.box_count} boxes"
    if not known.estimate.is_light.any():
        return f"{count}, {known.estimate.problem.judged_count} of them judged"
    return (
        f"{count}, walls by the calmed surfaces with {known.slack:.3f} allowed between them and the lines, "
        f"which were {known.off:.3f} apart at most after the {len(known.tried)} moves at which both were judged"
    )


def _unsound(known: _Known) -> str:
    if known.off > known.slack + AIM:
        return f"the calmed surfaces and the lines are up to {known.off:.3f} apart"
    return "a line changed faster than its surfaces went"


def _none_bounded(solve: Solve, known: _Known, settings: SolveSettings) -> Solved:
    """No move was found: the best there is, and whether none was shown."""
    problem, count = known.estimate.problem, known.looked.box_count
    for number in range(settings.rounds):
        known = known if number == 0 else known.learnt(settings.slack_factor)
        search = highest(known.estimate, settings.branch, known.slack)
        best = np.zeros(len(problem.freed)) if search.move_mm is None else search.move_mm
        best = _lifted(known.estimate, best, settings)
        if problem.margins(best).min() >= 0:
            move = _best_of(known.estimate, best, settings)
            if move is not None:
                return _found(solve, problem, move, None, f"That no smaller does was not shown in {count} boxes.")
        known = replace(known, search=search).tried_too(best)
        if known.off <= known.slack:
            break
    if not known.is_sound:
        return _none(solve, problem, best, None, f"That none does was not shown: {_unsound(known)}.")
    if search.bound >= 0:
        why = f"That none does was not shown: {search.box_count} boxes leave room for a margin of {search.bound:.3f}."
        return _none(solve, problem, best, None, why)
    why = (
        f"No move brings the least room above {search.bound:.3f}: shown over all moves within the limits{_how(known)}."
    )
    return _none(solve, problem, best, search.bound, why)


def _found(solve: Solve, problem: Problem, move_mm: Floats, floor_mm: float | None, shown: str) -> Solved:
    words = f"A move of {float(np.linalg.norm(move_mm)):.3f} mm makes every line named conform, U included."
    return replace(_record(solve, problem, move_mm, Outcome.FOUND, words), floor_mm=floor_mm, shown=shown)


def _none(solve: Solve, problem: Problem, best_mm: Floats, bound: float | None, shown: str) -> Solved:
    """Nothing within the limits: how near it comes, what fights what, and whether that was shown."""
    margins = problem.margins(best_mm)
    least = float(margins.min())
    near = margins <= least + NEAR
    fighting = tuple(
        dict.fromkeys(problem.names[index] for (index, _), is_near in zip(problem.sides, near, strict=True) if is_near)
    )
    begin = f"No move within the limits {'was found that makes' if bound is None else 'makes'} every line named conform"
    if least >= 0:  # inside its limits, yet not shown to conform
        reasons = [line.reason for line in problem.lines(best_mm) if line.verdict is not Verdict.CONFORMS]
        words = f"{begin}: {'; '.join(str(reason) for reason in dict.fromkeys(reasons))}."
        return replace(_record(solve, problem, best_mm, Outcome.NONE_FOUND, words), shown=shown)
    who = fighting[0] if len(fighting) == 1 else f"{', '.join(fighting[:-1])} against {fighting[-1]}"
    words = f"{begin}: the best leaves {who} short by {-least:.3f}."
    outcome = Outcome.NONE_FOUND if bound is None else Outcome.NONE_WITHIN_LIMITS
    found = _record(solve, problem, best_mm, outcome, words)
    return replace(found, fighting=fighting, bound=bound, shown=shown)


def _record(solve: Solve, problem: Problem, move_mm: Floats | None, outcome: Outcome, words: str) -> Solved:
    still = np.zeros(len(problem.freed))
    if move_mm is None:
        return Solved(name=solve.name, outcome=outcome, words=words, freed=problem.freed, margins={}, margins_before={})
    margins = problem.by_line(move_mm)
    steps = problem.steps(move_mm) if move_mm.any() else ()
    rows = rows_of(steps, problem.stand) if steps else ()
    worse = [row.id for row in rows if row.is_worse]
    if worse:
        words += f" After it, {', '.join(worse)} no longer conforms, or is no longer shown to."
    return Solved(
        name=solve.name,
        outcome=outcome,
        words=words,
        freed=problem.freed,
        move_mm=move_mm,
        length_mm=float(np.linalg.norm(move_mm)),
        margins=margins,
        margins_before=problem.by_line(still),
        units={line.id: line.unit for line in problem.lines(still)},
        least_margin=min(margins.values()),
        rows=rows,
        marks=step_marks(steps, [f"{one.part.name}: move found" for one in steps], problem.stand.measured),
        sample_mask=parts_mask(steps, problem.stand.measured),
    )

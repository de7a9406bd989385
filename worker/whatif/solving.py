"""The smallest move that makes lines conform, or how near any move within the limits comes.

Sequential quadratic programming on finite differences of the margins: the square of the move is least under their
tangents (by D. Kraft's method, DFVLR-FB 88-28, 1988, as scipy has it), and the tangents are drawn anew at the answer.
A line search, which takes noise of the points for hills, is not needed.  Whatever comes out is judged by the
lines themselves before it is believed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, minimize

from shared.plan import Solve
from worker.records import Characteristic, Floats, Verdict
from worker.whatif.margins import Problem
from worker.whatif.records import Outcome, Solved
from worker.whatif.scenarios import Stand, rows_of

AIM = 1e-4  # inside the guarded limit, so that rounding does not leave the answer outside; no report shows as little
NEAR = 1e-3  # margins this close to the least hold the answer together


@dataclass(frozen=True, kw_only=True)
class SolveSettings:
    """How hard is looked."""

    iterations: int = 12  # straight walls take two or three, a bore past a curved wall about six
    random_starts: int = 2  # besides no move and the best within the limits
    most_corners: int = 16  # of the box of limits, all of them up to four freedoms; each is a judgement of its lines
    settled_mm: float = 1e-4  # a step less than that is lost in what is shown


@dataclass(frozen=True, eq=False)
class _Reach:
    """The move (v,) with the best least margin found, and a bound no move can pass, where one could be shown."""

    move_mm: Floats
    least: float
    bound: float | None


def solve_plan(solve: Solve, stand: Stand, settings: SolveSettings | None = None) -> Solved:
    """The least move within the limits after which every named line conforms, U included.

    Objective: least sum of squares of the freedoms.  The search is local; where margins are straight or bent
    toward failing there is no other minimum.

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
    found = _least(problem, still, settings)
    if found is not None:
        return _found(solve, problem, found)
    reach = _reach(problem, stand.seed, settings)
    if reach.least >= 0:
        found = _least(problem, reach.move_mm, settings)
        if found is None and problem.conforms(reach.move_mm):
            found = reach.move_mm
        if found is not None:
            return _found(solve, problem, found)
    return _none(solve, problem, reach)


def why_not(line: Characteristic) -> str | None:
    """Why no move can show that a line conforms."""
    if line.measured is None:
        return f"{line.id} is not measured, for {line.reason or 'no reason was recorded'}"
    low, high = line.limits.lower, line.limits.upper
    if low is None and high is None:
        return f"{line.id} states no limit"
    return None


def _least(problem: Problem, start_mm: Floats, settings: SolveSettings) -> Floats | None:
    """The least move by tangents drawn anew at each answer, if it conforms when tried."""
    move, most = start_mm, problem.most_mm
    for _ in range(settings.iterations):
        slopes = problem.slopes(move)
        found = straight_least(problem.margins(move) - AIM - slopes @ move, slopes, most)
        if found is None:
            return None
        step = float(np.abs(found - move).max())
        move = found
        if step < settings.settled_mm and problem.conforms(move):
            return move
    return move if problem.conforms(move) else None


def straight_least(rest: Floats, slopes: Floats, most_mm: Floats) -> Floats | None:
    """The shortest move (v,) within the box with ``rest + slopes @ move`` nowhere below nothing; None without one.

    rest : (c,);  slopes : (c, v);  most_mm : (v,)
    """
    corner = linprog(np.zeros(len(most_mm)), A_ub=-slopes, b_ub=rest, bounds=_box(most_mm))
    if corner.x is None:
        return None
    return _shortest(np.asarray(corner.x, dtype=np.float64), rest, slopes, most_mm)


def straight_best(rest: Floats, slopes: Floats, box: list[tuple[float, float]]) -> tuple[Floats, float]:
    """A move (v,) within the box that brings the least of ``rest + slopes @ move`` highest, and how high.

    Of all that come within a tenth of a micrometre of it the shortest.
    """
    rows, count = np.column_stack([-slopes, np.ones(len(rest))]), len(box)
    answer = linprog(np.r_[np.zeros(count), -1.0], A_ub=rows, b_ub=rest, bounds=[*box, (None, None)])
    if answer.x is None:
        raise ValueError("a box without a corner")
    level = float(answer.x[count])
    most = np.abs(np.array(box)).max(axis=1)
    move = _shortest(np.asarray(answer.x[:count], dtype=np.float64), rest - level + AIM, slopes, most)
    low, high = np.array(box).T
    return np.clip(move, low, high), level


def _shortest(start_mm: Floats, rest: Floats, slopes: Floats, most_mm: Floats) -> Floats:
    """From a move that meets straight conditions to the shortest that does."""
    scale = float(most_mm.max())
    answer = minimize(
        _square,
        start_mm / scale,
        jac=_square_slope,
        method="SLSQP",
        bounds=Bounds(-most_mm / scale, most_mm / scale),
        constraints=LinearConstraint(slopes, -rest / scale, np.inf),
        options={"ftol": 1e-12},  # of the squared share of the box: straight conditions cost nothing to settle
    )
    if not answer.success:
        return start_mm
    shortest: Floats = np.clip(scale * answer.x, -most_mm, most_mm)
    return shortest


def _square(move: Floats) -> float:
    return float(move @ move)


def _square_slope(move: Floats) -> Floats:
    return 2 * move


def _box(most_mm: Floats) -> list[tuple[float, float]]:
    return [(-float(most), float(most)) for most in most_mm]


def _reach(problem: Problem, seed: int, settings: SolveSettings) -> _Reach:
    """The move that brings the least margin highest, from no move and a few more starts."""
    still, most = np.zeros(len(problem.freed)), problem.most_mm
    here, slopes = problem.margins(still), problem.slopes(still)
    _, level = straight_best(here, slopes, _box(most))
    rng = np.random.default_rng(seed)
    starts = [still, *(rng.uniform(-most, most) for _ in range(settings.random_starts))]
    tried = [_lifted(problem, start, settings) for start in starts]
    best = max(tried, key=lambda move: round(float(problem.margins(move).min()) / NEAR))  # the first of equals
    return _Reach(best, float(problem.margins(best).min()), _bound(problem, (here, slopes, level), settings))


def _lifted(problem: Problem, start_mm: Floats, settings: SolveSettings) -> Floats:
    """A start improved along its tangents, within a box about it that is halved when they mislead."""
    move, most, reach = start_mm, problem.most_mm, 1.0
    for _ in range(settings.iterations):
        here, slopes = problem.margins(move), problem.slopes(move)
        low, high = np.maximum(move - reach * 2 * most, -most), np.minimum(move + reach * 2 * most, most)
        box = list(zip(low.tolist(), high.tolist(), strict=True))
        found, _ = straight_best(here - slopes @ move, slopes, box)
        gain = float(problem.margins(found).min() - here.min())
        if gain > 0:
            move = found
        else:
            reach /= 2
        if abs(gain) < AIM:
            break
    return move


def _bound(problem: Problem, straight: tuple[Floats, Floats, float], settings: SolveSettings) -> float | None:
    """Least margin that no move can pass: that of the tangents, raised by what any corner of the box lies above them.

    straight : margins at no move, their slopes, the best their tangents reach

    Margins bent toward failing lie under their tangents; those bent the other way are farthest above them at a
    corner.  None where there are too many corners to try.
    """
    here, slopes, level = straight
    if 2 ** len(problem.freed) > settings.most_corners:
        return None
    above = 0.0
    for corner in _corners(problem.most_mm):
        above = max(above, float((problem.margins(corner) - here - slopes @ corner).max()))
    return level + above


def _corners(most_mm: Floats) -> Iterator[Floats]:
    for signs in product((-1.0, 1.0), repeat=len(most_mm)):
        yield np.array(signs) * most_mm


def _found(solve: Solve, problem: Problem, move_mm: Floats) -> Solved:
    words = f"A move of {float(np.linalg.norm(move_mm)):.3f} mm makes every line named conform, U included."
    return _record(solve, problem, move_mm, Outcome.FOUND, words)


def _none(solve: Solve, problem: Problem, reach: _Reach) -> Solved:
    """Nothing within the limits: how near it comes, what fights what, and whether that was shown."""
    margins = problem.margins(reach.move_mm)
    near = margins <= reach.least + NEAR
    fighting = tuple(
        dict.fromkeys(problem.names[index] for (index, _), is_near in zip(problem.sides, near, strict=True) if is_near)
    )
    is_shown = reach.bound is not None and reach.bound < 0
    begin = (
        "No move within the limits makes every line named conform"
        if is_shown
        else "No move within the limits was found"
    )
    who = fighting[0] if len(fighting) == 1 else f"{', '.join(fighting[:-1])} against {fighting[-1]}"
    if reach.least >= 0:  # inside its limits, yet not shown to conform
        reasons = [line.reason for line in problem.lines(reach.move_mm) if line.verdict is not Verdict.CONFORMS]
        words = f"{begin}: {'; '.join(str(reason) for reason in dict.fromkeys(reasons))}."
        return _record(solve, problem, reach.move_mm, Outcome.NONE_FOUND, words)
    words = f"{begin}: the best leaves {who} short by {-reach.least:.3f}."
    outcome = Outcome.NONE_WITHIN_LIMITS if is_shown else Outcome.NONE_FOUND
    return _record(solve, problem, reach.move_mm, outcome, words, fighting=fighting, bound=reach.bound)


def _record(  # noqa: PLR0913 - the record of many fields
    solve: Solve,
    problem: Problem,
    move_mm: Floats | None,
    outcome: Outcome,
    words: str,
    *,
    fighting: tuple[str, ...] = (),
    bound: float | None = None,
) -> Solved:
    still = np.zeros(len(problem.freed))
    if move_mm is None:
        return Solved(name=solve.name, outcome=outcome, words=words, freed=problem.freed, margins={}, margins_before={})
    margins = problem.by_line(move_mm)
    rows = rows_of(problem.steps(move_mm), problem.stand) if move_mm.any() else ()
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
        fighting=fighting,
        bound=bound,
        rows=rows,
    )

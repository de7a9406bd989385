"""Every frame an inspection speaks of, told against the fit of the whole piece."""

from __future__ import annotations

from dataclasses import dataclass, replace

from shared.plan import Plan
from worker.datums.frames import BEST_FIT, POSE, best_fit_frame
from worker.datums.records import MeasuringFrame, NoFrame
from worker.judging.measured import Measured
from worker.rigid import RigidTransform


@dataclass(frozen=True, eq=False)
class FrameLine:
    """One frame, or why this piece has none of that name.

    found : its ``T_frame_pose`` starts from the fit of the whole piece, whatever the plan's alignment
    is_used : the maps and the characteristics without a frame of their own are measured in it
    """

    name: str
    found: MeasuringFrame | NoFrame
    is_used: bool


def frame_lines(plan: Plan, measured: Measured) -> tuple[FrameLine, ...]:
    """The fit of the whole piece, the plain best fit, the plan's frames and datums; nothing without a pose."""
    chosen = measured.chosen
    if isinstance(chosen, NoFrame):
        return (FrameLine(plan.alignment.frame or plan.alignment.method.value, chosen, is_used=True),)
    if measured.why_not is not None:
        return ()
    start = RigidTransform.identity() if chosen is None else chosen.T_frame_pose
    used = measured.pose_frame if chosen is None else chosen
    lines = [FrameLine(POSE if chosen is None else used.name, used, is_used=True)]
    others = {BEST_FIT: best_fit_frame(measured.seen)} if used.name != BEST_FIT else {}
    others |= {frame.name: measured.frame(frame.name, plan) for frame in plan.frames if frame.name != used.name}
    others |= {f"datum {letter}": measured.datum(letter, plan) for letter in _datums(plan)}
    return (*lines, *(FrameLine(name, _from(start, found), is_used=False) for name, found in others.items()))


def _datums(plan: Plan) -> list[str]:
    """Datums that characteristics refer to by themselves."""
    return sorted({line.datum for line in plan.characteristics if hasattr(line, "datum")})


def _from(start: RigidTransform, found: MeasuringFrame | NoFrame) -> MeasuringFrame | NoFrame:
    if isinstance(found, NoFrame):
        return found
    return replace(found, T_frame_pose=found.T_frame_pose @ start)

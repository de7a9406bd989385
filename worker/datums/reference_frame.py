"""Datum reference frames: the piece put on nominal by its datums, in their order of precedence.

ISO 5459, ASME Y14.5: the first datum takes all the freedoms it can, the second what is left, the
third the rest.  Each datum's perfect counterpart may tilt only as far as the datums before it left
turns open; then the piece is moved, within the motions still open, so that the counterparts lie on
nominal as nearly as they can.  What no datum takes stays as the fit of the whole piece has it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shared.plan import Datum, Frame
from worker.datums.association import Associated, associate
from worker.datums.collecting import DatumTaken, take_datum
from worker.datums.motions import LEAST_HOLD, Origin, all_motions, left_open, open_words, rigid
from worker.datums.records import MeasuringFrame, NoFrame
from worker.features.records import Feature
from worker.measuring.seen import Seen
from worker.records import Floats
from worker.rigid import RigidTransform, turn_to_shift

MOST_MOVES = 25  # Newton's steps on smooth constraints; a handful is usual
SETTLED_MM = 1e-9
LARGEST_TURN_RAD = 0.35  # 20 degrees from the pose: then the datums are not those of nominal


@dataclass(frozen=True, eq=False)
class _Standing:
    """How far the frame has come.

    contributions : (covariance (6, 6), dof) of each independent source, about the origin
    """

    T_frame_pose: RigidTransform
    still_open: Floats
    contributions: tuple[tuple[Floats, float], ...]
    words: tuple[str, ...] = ()


def datum_frame(
    frame: Frame,
    datums: Sequence[Datum],
    features: Sequence[Feature],
    seen: Seen,
    pose: MeasuringFrame | None = None,
) -> MeasuringFrame | NoFrame:
    """Where nominal lies when the piece is held by these datums.

    frame : letters in order of precedence;  datums : of the plan, in mm
    pose : the fit of the whole piece, kept in what the datums leave open; None where the piece lies in
        that fit already and nothing will be read in what is left open, for then it is as sure as can be

    A perfect piece in a perfect pose gives the identity.

    Raises
    ------
    PlanInvalid
        If a datum names no feature of nominal.

    """
    origin = Origin.of(seen.nominal.vertices_mm)
    pose = pose or _given(origin)
    start = carried(pose, origin.centre_mm)
    standing = _Standing(pose.T_frame_pose, all_motions(origin), ((start.covariance, start.dof),))
    by_letter = {datum.letter: datum for datum in datums}
    for letter in frame.datums:
        taken = take_datum(by_letter[letter], features, seen)
        if isinstance(taken, NoFrame):
            return taken
        held = _held(standing, taken, origin)
        if isinstance(held, NoFrame):
            return held
        standing = held
    return _finished(frame, standing, origin)


def _given(origin: Origin) -> MeasuringFrame:
    """The pose that points come in."""
    return MeasuringFrame(
        name="pose",
        T_frame_pose=RigidTransform.identity(),
        covariance=np.zeros((6, 6)),
        centre_mm=origin.centre_mm,
        dof=float("inf"),
        description="The pose as it is.",
    )


def carried(frame: MeasuringFrame, centre_mm: Floats) -> MeasuringFrame:
    """The same frame, its covariance stated about another centre (3,)."""
    spread = np.eye(6)
    spread[3:, :3] = turn_to_shift(centre_mm - frame.centre_mm)
    return replace(frame, covariance=spread @ frame.covariance @ spread.T, centre_mm=centre_mm)


def _held(standing: _Standing, taken: DatumTaken, origin: Origin) -> _Standing | NoFrame:
    """The piece moved within what is open until this datum lies on nominal."""
    T_frame_pose, still_open = standing.T_frame_pose, standing.still_open
    found = _all(taken, T_frame_pose, still_open, origin)
    ideal = np.concatenate([part.ideal_rows for part in found])
    remaining = left_open(still_open, ideal, origin)
    count = still_open.shape[1] - remaining.shape[1]
    if not count:
        words = f"{taken.letter} ({taken.words}) adds nothing, all it could hold is held already"
        return replace(standing, words=(*standing.words, words))
    step = np.inf
    for _ in range(MOST_MOVES):
        motion = -_pull(found, still_open, count) @ _off(found)
        T_frame_pose = rigid(motion, origin) @ T_frame_pose
        found = _all(taken, T_frame_pose, still_open, origin)
        step = float(np.abs(motion / origin.units).max())
        if step < SETTLED_MM:
            break
    if not all(part.is_held for part in found):
        return NoFrame(
            f"datum {taken.letter} ({taken.words}): the scan shows one side of it only, which holds no gauge"
        )
    if step > 1e-4 or T_frame_pose.angle_rad() > LARGEST_TURN_RAD:
        return NoFrame(f"datum {taken.letter} ({taken.words}) does not come to rest on nominal")
    holds = f"{taken.letter} ({taken.words}) holds {count} of 6 freedoms"
    contributions = _propagated(standing.contributions, found, _pull(found, still_open, count))
    return _Standing(T_frame_pose, remaining, contributions, (*standing.words, holds))


def _all(taken: DatumTaken, T_frame_pose: RigidTransform, still_open: Floats, origin: Origin) -> tuple[Associated, ...]:
    return tuple(associate(surface, T_frame_pose, still_open, origin) for surface in taken.surfaces)


def _off(found: Sequence[Associated]) -> Floats:
    return np.concatenate([part.off_mm for part in found])


def _pull(found: Sequence[Associated], still_open: Floats, count: int) -> Floats:
    """(6, k) the motion that answers what is off, least squares within what is open.

    count : of the freedoms held: lesser singular values are of freedoms that a perfect surface would not hold
    """
    rows = np.concatenate([part.rows for part in found])
    left, sizes, right = np.linalg.svd(rows @ still_open, full_matrices=False)
    used = min(count, int(np.count_nonzero(sizes > LEAST_HOLD**2 * sizes[0])))
    inverse = (right[:used].T / sizes[:used]) @ left[:, :used].T
    pull: Floats = still_open @ inverse
    return pull


def _propagated(
    before: Sequence[tuple[Floats, float]], found: Sequence[Associated], pull: Floats
) -> tuple[tuple[Floats, float], ...]:
    """Errors before this datum, as far as it lets them stand, and its own."""
    rows = np.concatenate([part.rows for part in found])
    stands = np.eye(6) - pull @ rows
    after = [(stands @ covariance @ stands.T, dof) for covariance, dof in before]
    first = 0
    for part in found:
        own = pull[:, first : first + len(part.off_mm)]
        after.append((own @ part.covariance @ own.T, part.dof))
        first += len(part.off_mm)
    return tuple(after)


def _finished(frame: Frame, standing: _Standing, origin: Origin) -> MeasuringFrame:
    is_whole = not standing.still_open.shape[1]
    kept = "" if is_whole else "; what they leave open stays as the fit of the whole piece has it"
    return MeasuringFrame(
        name=frame.name,
        T_frame_pose=standing.T_frame_pose,
        covariance=np.sum([covariance for covariance, _ in standing.contributions], axis=0),
        centre_mm=origin.centre_mm,
        dof=welch_satterthwaite(standing.contributions, origin),
        description=f"Datum reference frame {'|'.join(frame.datums)}: {'; '.join(standing.words)}{kept}.",
        open_text=open_words(standing.still_open, origin),
    )


def welch_satterthwaite(contributions: Sequence[tuple[Floats, float]], origin: Origin) -> float:
    """Effective degrees of freedom of the sum of covariances (6, 6), by their scaled traces (JCGM 100, G.4.1)."""
    traces = [float((np.diag(covariance) / origin.units**2).sum()) for covariance, _ in contributions]
    total = sum(traces)
    if total <= 0:
        return min((dof for _, dof in contributions), default=1.0)
    spread = sum((trace / total) ** 2 / dof for trace, (_, dof) in zip(traces, contributions, strict=True))
    return 1 / spread

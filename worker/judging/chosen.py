"""What the plan's alignment says everything is measured from."""

from __future__ import annotations

from dataclasses import replace

from shared.plan import AlignmentMethod, Plan
from worker.datums.frames import best_fit_frame, region_frame
from worker.datums.records import MeasuringFrame, NoFrame
from worker.judging.measured import Measured
from worker.records import Alignment


def chosen_frame(plan: Plan, measured: Measured) -> MeasuringFrame | NoFrame | None:
    """The frame of the plan's alignment on this piece; None for the robust fit of the whole piece."""
    method = plan.alignment.method
    if method is AlignmentMethod.ROBUST_FIT or measured.why_not is not None:
        return None
    if method is AlignmentMethod.BEST_FIT:
        return best_fit_frame(measured.seen)
    if method is AlignmentMethod.REGIONS:
        names = plan.alignment.regions or ()
        return region_frame(tuple(measured.region(name) for name in names), measured.seen)
    return measured.frame(plan.alignment.frame, plan)


def aligned_to(alignment: Alignment, frame: MeasuringFrame) -> Alignment:
    """The alignment with its pose moved to the frame, and the frame's own covariance."""
    if alignment.T_nominal_scan is None or alignment.freedom is None:
        raise ValueError("an alignment without a pose has no frame")
    freedom = replace(alignment.freedom, covariance=frame.covariance, centre_mm=frame.centre_mm)
    return replace(alignment, T_nominal_scan=frame.T_frame_pose @ alignment.T_nominal_scan, freedom=freedom)

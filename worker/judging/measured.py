"""What the stages before judging found, in one record."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from shared.errors import PlanInvalid
from worker.judging.uncertainty import alignment_covariance
from worker.measuring.displacement import Displacement, motion_at, region_displacement
from worker.measuring.patches import SampleNet
from worker.measuring.seen import NotMeasured, Seen
from worker.records import Alignment, AlignmentStatus, Deviation, Floats, Nominal, Region, Samples, Thickness


@dataclass(frozen=True, eq=False, kw_only=True)
class Measured:
    """Everything characteristics are judged from.

    deviation, thickness : None where the scan could not be aligned
    quantum_mm : smallest step of the scan's number format
    """

    nominal: Nominal
    samples: Samples
    alignment: Alignment
    deviation: Deviation | None
    thickness: Thickness | None
    regions: tuple[Region, ...]
    quantum_mm: float

    @property
    def why_not(self) -> str | None:
        """Why nothing can be judged, None if it can."""
        if self.alignment.status is not AlignmentStatus.ALIGNED:
            words = self.alignment.status.value.replace("_", " ")
            return f"the scan is {words}: {self.alignment.reason or 'no reason was recorded'}"
        return None if self.deviation is not None else "no deviation was measured"

    @property
    def seen(self) -> Seen:
        """Nominal and the piece, for measuring features."""
        if self.deviation is None:
            raise ValueError("nothing was measured")
        return Seen(self.nominal, self.samples, self.deviation, self.alignment.shrink)

    @cached_property
    def net(self) -> SampleNet:
        """Neighbours of samples."""
        return SampleNet(self.samples)

    @cached_property
    def body(self) -> Displacement | NotMeasured:
        """How the surface outside all cores lies against its nominal, shrink apart.

        Nothing, if the pose is that of the mould; a large displaced core draws the pose its way.
        """
        is_core = np.zeros(len(self.samples.face), dtype=bool)
        for region in self.regions:
            if region.source == "core":
                is_core |= region.is_member
        return region_displacement(Region("the rest of the piece", "rest", ~is_core), self.seen, shrink_removed=True)

    def frame_at(self, point_mm: Floats) -> tuple[Floats, Floats]:
        """Where the frame features are judged in lies at a point (3,), against the pose: shift (3,), covariance (3, 3).

        The frame is the surface outside all cores where the plan names cores, the pose itself otherwise.
        """
        if not self._has_cores or isinstance(self.body, NotMeasured):
            return np.zeros(3), alignment_covariance(self.alignment, point_mm)
        return motion_at(self.body, point_mm)

    @property
    def _has_cores(self) -> bool:
        return any(region.source == "core" for region in self.regions)

    def frame_sigma_mm(self, point_mm: Floats, direction: Floats) -> float:
        """How far the pose and the surface outside all cores disagree at a point (3,) along a unit direction.

        Zero without core regions: then nothing tells the pose from its own surface.
        """
        return abs(float(self.frame_at(point_mm)[0] @ direction))

    def region(self, name: str) -> Region:
        """The region of that name.

        Raises
        ------
        PlanInvalid
            If there is none.

        """
        for region in self.regions:
            if region.name == name:
                return region
        raise PlanInvalid(
            f"No region is named '{name}'.", advice="Name one of the plan's regions.", faults=[f"region '{name}'"]
        )

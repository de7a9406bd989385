"""What the stages before judging found, in one record."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np

from shared.errors import PlanInvalid
from shared.plan import FeaturePick, Frame, Plan
from worker.datums.frames import pose_frame
from worker.datums.records import MeasuringFrame, NoFrame
from worker.datums.reference_frame import datum_frame
from worker.features.find import find_feature
from worker.features.records import Feature
from worker.fitting.records import Association
from worker.measuring.displacement import Displacement, region_displacement
from worker.measuring.measured_feature import MeasuredFeature, measure_feature
from worker.measuring.patches import SampleNet
from worker.measuring.seen import NotMeasured, Seen
from worker.measuring.shrink import without_shrink
from worker.records import Alignment, AlignmentStatus, Body, Deviation, Floats, Nominal, Region, Samples, Thickness
from worker.rigid import RigidTransform

Made = TypeVar("Made")
SCALE_STEP = 1e-4  # a step of the scale: 0.01 mm on 100 mm, far less than shrink, far more than rounding


@dataclass(frozen=True, eq=False, kw_only=True)
class Measured:
    """Everything characteristics are judged from.

    deviation, thickness : None where the scan could not be aligned
    quantum_mm : smallest step of the scan's number format
    features : of nominal
    bodies : bought-in parts and other solids that are no cores, where their files put them
    strain_sigma : standard uncertainty of the correction to 20 degrees, per unit of length
    remeasure : deviation with the piece moved once more, nominal frame
    chosen : the frame that the plan's alignment names and everything here is measured in, if it is not
        the fit of the whole piece; its ``T_frame_pose`` starts from that fit
    before : the piece before a what-if moved parts of it: the pose, and all that did not move, stay as they are there
    """

    nominal: Nominal
    samples: Samples
    alignment: Alignment
    deviation: Deviation | None
    thickness: Thickness | None
    regions: tuple[Region, ...]
    quantum_mm: float
    features: tuple[Feature, ...] = ()
    bodies: tuple[Body, ...] = ()
    strain_sigma: float = 0.0
    remeasure: Callable[[RigidTransform], Deviation] | None = None
    chosen: MeasuringFrame | NoFrame | None = None
    before: Measured | None = None
    _kept: dict[Any, Any] = field(default_factory=dict, init=False, repr=False)  # fresh in every copy

    @property
    def why_not(self) -> str | None:
        """Why nothing can be judged, None if it can."""
        if self.alignment.status is not AlignmentStatus.ALIGNED:
            words = self.alignment.status.value.replace("_", " ")
            return f"the scan is {words}: {self.alignment.reason or 'no reason was recorded'}"
        if isinstance(self.chosen, NoFrame):
            return f"the alignment the plan asks for cannot be made on this piece: {self.chosen.reason}"
        return None if self.deviation is not None else "no deviation was measured"

    @cached_property
    def piece_points_mm(self) -> Floats:
        """Where the piece has its samples (s, 3), nominal frame: nominal's own places where nothing was measured."""
        if self.deviation is None:
            raise ValueError("nothing was measured")
        off = np.where(self.deviation.is_measured, self.deviation.distance_mm, 0.0)
        points: Floats = self.samples.points_mm + off[:, None] * self.samples.normals
        return points

    @property
    def seen(self) -> Seen:
        """Nominal and the piece, for measuring features."""
        if self.deviation is None:
            raise ValueError("nothing was measured")
        return Seen(self.nominal, self.samples, self.deviation, self.alignment.shrink)

    def _seen_at_nominal_size(self, axis: int | None) -> Seen:
        """The piece freed of its shrink; its points stay with the triangles they were paired with.

        axis : along which ``SCALE_STEP`` less is taken out
        """
        seen = self.seen
        freed = without_shrink(seen.deviation.scan_points_mm, seen.shrink)
        if axis is not None and seen.shrink is not None:
            freed = freed.copy()
            freed[:, axis] += SCALE_STEP * (freed[:, axis] - seen.shrink.centre_mm[axis])
        return replace(seen, deviation=replace(seen.deviation, scan_points_mm=freed), shrink=None)

    @cached_property
    def net(self) -> SampleNet:
        """Neighbours of samples; a move tears no surface from its neighbour."""
        return SampleNet(self.samples) if self.before is None else self.before.net

    @cached_property
    def body(self) -> Displacement | NotMeasured:
        """How the surface outside all cores lies against its nominal, shrink apart.

        Nothing, if the pose is that of the mould; a large displaced core draws the pose its way.
        """
        if self.before is not None:
            return self.before.body
        is_core = np.zeros(len(self.samples.face), dtype=bool)
        for region in self.regions:
            if region.source == "core":
                is_core |= region.is_member
        return region_displacement(Region("the rest of the piece", "rest", ~is_core), self.seen, shrink_removed=True)

    @cached_property
    def pose_frame(self) -> MeasuringFrame:
        """The frame of characteristics that name none: what the plan's alignment says.

        The fit of the whole piece is that of the surface outside all cores where the plan names cores.
        """
        if self.before is not None:
            return self.before.pose_frame
        if isinstance(self.chosen, MeasuringFrame):
            return replace(self.chosen, T_frame_pose=RigidTransform.identity())
        has_cores = any(region.source == "core" for region in self.regions)
        body = self.body if has_cores else None
        return pose_frame(self.alignment, None if isinstance(body, NotMeasured) else body)

    def frame_sigma_mm(self, point_mm: Floats, direction: Floats) -> float:
        """How far the pose and the frame of the rest disagree at a point (3,) along a unit direction."""
        moved = self.pose_frame.T_frame_pose.apply(point_mm) - point_mm
        return abs(float(moved @ direction))

    def feature(self, pick: FeaturePick, where: str) -> Feature:
        """The feature a line of the plan picks.

        Raises
        ------
        PlanInvalid
            If nominal has none there, or several.

        """
        return find_feature(self.features, pick, self.nominal, where=where)

    def measured_feature(
        self,
        feature: Feature,
        association: Association = Association.LEAST_SQUARES,
        *,
        shrink_removed: bool = False,
    ) -> MeasuredFeature | NotMeasured:
        """The feature as the scan shows it, measured once."""
        if self.before is not None and self._has_stood(feature):
            return self.before.measured_feature(feature, association, shrink_removed=shrink_removed)
        key = (feature.id, association, shrink_removed)
        if key not in self._kept:
            self._kept[key] = measure_feature(
                feature,
                self.seen,
                association=association,
                shrink_removed=shrink_removed,
                features=self.features,
            )
        found: MeasuredFeature | NotMeasured = self._kept[key]
        return found

    def frame(self, name: str | None, plan: Plan, *, shrink_removed: bool = False) -> MeasuringFrame | NoFrame:
        """The plan's frame of that name, or what its alignment says.

        shrink_removed : the datums are those of the piece brought to nominal's size
        """
        if name is None:
            return self.pose_frame
        wanted = next(frame for frame in plan.frames if frame.name == name)
        return self.established(wanted, plan, shrink_removed=shrink_removed)

    def datum(self, letter: str, plan: Plan) -> MeasuringFrame | NoFrame:
        """The frame that one datum alone gives."""
        return self.established(Frame(name=f"datum {letter}", datums=(letter,)), plan)

    def frame_by_scale(self, name: str | None, plan: Plan) -> tuple[RigidTransform, ...]:
        """How a frame of the piece freed of its shrink moves when ``SCALE_STEP`` less is taken out, along x, y and z.

        Nothing for what the plan's alignment says: the scale was fitted beside it.
        """
        if name is None or self.alignment.shrink is None:
            return ()
        key = ("frame by scale", name)
        if key not in self._kept:
            wanted = next(frame for frame in plan.frames if frame.name == name)
            own = self.established(wanted, plan, shrink_removed=True)
            steps = [self.established(wanted, plan, shrink_removed=True, axis=axis) for axis in range(3)]
            frames = [step for step in steps if isinstance(step, MeasuringFrame)]
            is_known = isinstance(own, MeasuringFrame) and len(frames) == len(steps)
            back = own.T_frame_pose.inverse() if isinstance(own, MeasuringFrame) else RigidTransform.identity()
            self._kept[key] = tuple(step.T_frame_pose @ back for step in frames) if is_known else ()
        found: tuple[RigidTransform, ...] = self._kept[key]
        return found

    def established(
        self, wanted: Frame, plan: Plan, *, shrink_removed: bool = False, axis: int | None = None
    ) -> MeasuringFrame | NoFrame:
        """The frame as the piece's datums give it; axis : the one along which the scale is a step less."""
        if self.before is not None and self._have_datums_stood(wanted, plan):
            return self.before.established(wanted, plan, shrink_removed=shrink_removed, axis=axis)
        key = ("frame", wanted.name, shrink_removed, axis)
        if key not in self._kept:
            seen = self._seen_at_nominal_size(axis) if shrink_removed else self.seen
            self._kept[key] = datum_frame(wanted, plan.datums, self.features, seen, self.pose_frame)
        found: MeasuringFrame | NoFrame = self._kept[key]
        return found

    def _has_stood(self, feature: Feature) -> bool:
        """Whether a what-if left the feature, and every hole of a pattern, where it was: the record is the same one."""
        if self.before is None:
            return True
        known, own = {id(one) for one in self.before.features}, {one.id: one for one in self.features}
        return id(feature) in known and all(id(own[name]) in known for name in feature.members)

    def _have_datums_stood(self, wanted: Frame, plan: Plan) -> bool:
        """Whether a what-if left every datum of a frame where it was; of targets it is not known."""
        for datum in plan.datums:
            if datum.letter not in wanted.datums:
                continue
            picks = datum.width or (() if datum.feature is None else (datum.feature,))
            where = f"datum {datum.letter}"
            if not picks or not all(self._has_stood(self.feature(pick, where)) for pick in picks):
                return False
        return True

    def deviation_in(self, frame: MeasuringFrame) -> Deviation | None:
        """The deviation map with nominal where ``frame`` puts it."""
        if frame is self.pose_frame:
            return self.deviation
        if self.remeasure is None:
            raise ValueError(f"nothing to measure the deviation in {frame.name} with")
        key = ("deviation", frame.name)
        if key not in self._kept:
            self._kept[key] = self.remeasure(frame.T_frame_pose)
        found: Deviation = self._kept[key]
        return found

    def once(self, key: Hashable, make: Callable[[], Made]) -> Made:
        """What ``make`` gives, made once for this record; ``key`` names it among all kinds."""
        if key not in self._kept:
            self._kept[key] = make()
        found: Made = self._kept[key]
        return found

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

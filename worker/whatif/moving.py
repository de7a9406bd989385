"""The piece as it would be with parts of it moved, and the perfect piece.

The skin of the part that moves goes whole, with its own deviation and the scan points on it.  The skin around it
stays, but for the seam: triangles along it stretch to where the part has gone, and the rest of the samples beside
it stay in place.  So a moved core leaves the metal between its ends and the mould's to be thought of by people.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from shared.plan import MoveOf
from worker.datums.records import MeasuringFrame
from worker.features.records import Feature
from worker.judging.measured import Measured
from worker.measuring.thickness import ThicknessSettings, measure_thickness
from worker.records import Body, Deviation, Floats, Ints, Samples, Thickness
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery
from worker.whatif.motions import Motion, Offset, moved_feature, moved_nominal, outward_normals, outward_of_all, shifted
from worker.whatif.parts import Part, Step

WHOLE_SHARE = 0.5  # of its triangles: a feature of which more moves goes along


@dataclass(frozen=True, kw_only=True)
class MovingSettings:
    """with_thickness : walls take longest and few kinds of line read them;  thread_count : of the kernel, 0 is all."""

    with_thickness: bool = True
    thread_count: int = 0


def moved(measured: Measured, steps: Sequence[Step], settings: MovingSettings | None = None) -> Measured:
    """The piece with parts of it moved, one step after another; the pose stays that of the piece as scanned.

    Of the design: nominal, regions, features and the scan points on them go together, so that deviations stay.
    Of the piece: nominal stays, deviations change by the move along the normal, and scan points go.

    A piece that was not aligned has its nominal moved all the same.
    """
    settings = settings or MovingSettings()
    found = measured
    for step in steps:
        found = _stepped(found, step)
    found = replace(found, before=measured)
    if not settings.with_thickness or measured.thickness is None:
        return found
    return replace(found, thickness=_thickness(found, settings))


def as_nominal(measured: Measured, settings: MovingSettings | None = None) -> Measured:
    """The perfect piece: every sample of nominal seen where nominal has it, without noise, in a perfect pose."""
    settings = settings or MovingSettings()
    samples = measured.samples
    perfect = replace(
        measured,
        alignment=replace(measured.alignment, shrink=None),
        deviation=_perfect_deviation(samples),
        chosen=_perfect_frame(measured),
        remeasure=lambda _: _perfect_deviation(samples),
        strain_sigma=0.0,
        quantum_mm=0.0,
        before=None,
    )
    if not settings.with_thickness or measured.thickness is None:
        return perfect
    return replace(perfect, thickness=_thickness(perfect, settings))


def _stepped(measured: Measured, step: Step) -> Measured:
    part, motion = step.part, step.motion
    if part.is_body:
        bodies = tuple(_moved_body(body, step) if body.name == part.name else body for body in measured.bodies)
        return replace(measured, bodies=bodies)
    carried = _carrier(measured, step)
    deviation = None if measured.deviation is None else carried(measured.deviation)
    gone = replace(measured, deviation=deviation, remeasure=_then(measured.remeasure, carried))
    if step.of is MoveOf.PIECE:  # new records of the same features, so that they are measured anew
        return replace(gone, features=tuple(replace(one) if _goes(one, part) else one for one in measured.features))
    samples = measured.samples
    points, normals = _moved_points(samples, part, motion), samples.normals.copy()
    if isinstance(motion, RigidTransform):
        normals[part.is_sample] = motion.turn(normals[part.is_sample])
    return replace(
        gone,
        nominal=moved_nominal(measured.nominal, part.is_triangle, motion),
        samples=replace(samples, points_mm=points, normals=normals),
        features=tuple(moved_feature(one, motion) if _goes(one, part) else one for one in measured.features),
    )


def _moved_points(samples: Samples, part: Part, motion: Motion) -> Floats:
    """Where samples (s, 3) go: those of the part, and those of its neighbours at the same places on the seam."""
    points = samples.points_mm.copy()
    going = part.is_sample | part.is_seam
    if isinstance(motion, RigidTransform):
        points[going] = motion.apply(points[going])
        return points
    own = np.flatnonzero(part.is_sample)
    known, number = np.unique(part.place[own], return_inverse=True)
    out = motion.distance_mm * outward_of_all(number.reshape(-1), samples.normals[own], len(known))
    points[going] += out[np.searchsorted(known, part.place[going])]
    return points


def _goes(feature: Feature, part: Part) -> bool:
    """Whether a feature goes along: most of it moves."""
    return len(feature.triangles) > 0 and float(part.is_triangle[feature.triangles].mean()) > WHOLE_SHARE


def _then(
    remeasure: Callable[[RigidTransform], Deviation] | None, carried: Callable[[Deviation], Deviation]
) -> Callable[[RigidTransform], Deviation] | None:
    return None if remeasure is None else lambda T_frame_pose: carried(remeasure(T_frame_pose))


def _carrier(measured: Measured, step: Step) -> Callable[[Deviation], Deviation]:
    """Takes a deviation of the piece before the step to that after it."""

    def carried(deviation: Deviation) -> Deviation:
        paired = deviation.scan_triangle >= 0
        paired[paired] = step.part.is_triangle[deviation.scan_triangle[paired]]
        own = np.flatnonzero(paired)
        points = deviation.scan_points_mm.copy()
        skin = outward_normals(measured.nominal, deviation.scan_triangle[own], points[own])
        points[own] = shifted(points[own], skin, step.motion)
        normals = _turned(deviation.scan_normals, own, step)
        found = replace(deviation, scan_points_mm=points, scan_normals=normals)
        if step.of is MoveOf.DESIGN:
            return found
        gone = np.einsum("ij,ij->i", points[own] - deviation.scan_points_mm[own], skin)
        scan_distance, distance = deviation.scan_distance_mm.copy(), deviation.distance_mm.copy()
        scan_distance[own] += gone
        distance += np.where(
            step.part.is_sample & deviation.is_measured, _gone_mm(measured.samples, deviation, step), 0
        )
        return replace(found, scan_distance_mm=scan_distance, distance_mm=distance)

    return carried


def _gone_mm(samples: Samples, deviation: Deviation, step: Step) -> Floats:
    """How far (s,) the piece goes along the normal at each sample."""
    places = samples.points_mm + deviation.distance_mm[:, None] * samples.normals
    after = shifted(places, samples.normals, step.motion)
    gone: Floats = np.einsum("ij,ij->i", after - places, samples.normals)
    return gone


def _turned(normals: Floats | None, own: Ints, step: Step) -> Floats | None:
    if normals is None or isinstance(step.motion, Offset):
        return normals
    turned = normals.copy()
    turned[own] = step.motion.turn(normals[own])
    return turned


def _moved_body(body: Body, step: Step) -> Body:
    if isinstance(step.motion, Offset):
        raise ValueError("a body has no wall to offset")  # noqa: TRY004 refused by the plan already
    T_piece_body = step.part.T_piece_body
    in_file = T_piece_body.inverse() @ step.motion @ T_piece_body
    return replace(body, vertices_mm=in_file.apply(body.vertices_mm))


def _thickness(measured: Measured, settings: MovingSettings) -> Thickness | None:
    known = measured.thickness
    if known is None:
        return None
    nominal = measured.nominal
    surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles, thread_count=settings.thread_count)
    found = measure_thickness(
        measured.samples,
        surface,
        measured.deviation,
        spot_limit_mm=known.spot_limit_mm,
        settings=ThicknessSettings(thread_count=settings.thread_count),
    )
    return replace(found, spot_limit_source=known.spot_limit_source)


def _perfect_deviation(samples: Samples) -> Deviation:
    count = len(samples.points_mm)
    triangle = np.zeros(count, dtype=np.int64)
    triangle[samples.triangles.ravel()] = np.repeat(samples.triangle_source, 3)
    return Deviation(
        distance_mm=np.zeros(count),
        is_measured=np.ones(count, dtype=bool),
        point_count=np.ones(count, dtype=np.int64),
        sigma_mm=np.zeros(count),
        scan_triangle=triangle,
        scan_distance_mm=np.zeros(count),
        scan_points_mm=samples.points_mm,
        scan_normals=samples.normals,
        noise_sigma_mm=0.0,
        is_facing_known=True,
    )


def _perfect_frame(measured: Measured) -> MeasuringFrame:
    return MeasuringFrame(
        name="nominal",
        T_frame_pose=RigidTransform.identity(),
        covariance=np.zeros((6, 6)),
        centre_mm=measured.nominal.vertices_mm.mean(axis=0),
        dof=float("inf"),
        description="Nominal's own axes.",
    )

"""The frozen records that cross the walls between stages.

Frames: ``nominal`` is the part frame of the CAD; ``scan`` is the scanner's own.  Lengths are
millimetres, angles radians, float64, unless a name says otherwise.  Masks mark gaps: a value
whose mask is False means nothing and must not be read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Self

import numpy as np
from numpy.typing import NDArray

from worker.exhibits import NOTHING, Exhibits
from worker.rigid import RigidTransform

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class SurfaceKind(StrEnum):
    """Kinds of surface a face of a B-rep can have (ISO 10303-42 names)."""

    PLANE = "plane"
    CYLINDER = "cylinder"
    CONE = "cone"
    SPHERE = "sphere"
    TORUS = "torus"
    FREEFORM = "freeform"


@dataclass(frozen=True, eq=False)
class Face:
    """One face of the nominal: of its B-rep, or of a mesh cut at its creases (kind freeform).

    origin_mm : (3,) a point of the plane, of the axis (cylinder, cone: where the radius is
        ``radius_mm``), or the centre (sphere, torus); None for freeform
    axis : (3,) unit; plane normal out of material, or axis; None for freeform and sphere
    radius_mm : cylinder, cone at origin, sphere, torus major
    minor_radius_mm : torus
    half_angle_rad : cone; the radius grows along +axis
    is_hole : material lies outside the radius, so the outward normal points to the axis
    """

    index: int
    kind: SurfaceKind
    area_mm2: float
    name: str | None = None
    color: tuple[float, float, float] | None = None
    origin_mm: Floats | None = None
    axis: Floats | None = None
    radius_mm: float | None = None
    minor_radius_mm: float | None = None
    half_angle_rad: float | None = None
    is_hole: bool = False


@dataclass(frozen=True, eq=False)
class Nominal:
    """The nominal as triangles, each knowing its face.

    vertices_mm : (n, 3) float64, mm, nominal frame; merged, so that edges are shared
    triangles : (m, 3) int64, counter-clockwise seen from outside material
    triangle_face : (m,) int64, index into ``faces``
    chord_tolerance_mm : farthest a triangle may lie from the true surface; None if the file
        was a mesh and nothing truer is known
    declared_unit : what the file said ("mm", "inch", "m"...) or None when the caller said it
    """

    vertices_mm: Floats
    triangles: Ints
    triangle_face: Ints
    faces: tuple[Face, ...]
    chord_tolerance_mm: float | None
    angular_tolerance_rad: float | None
    declared_unit: str | None
    is_watertight: bool
    notes: tuple[str, ...] = ()  # what reading dropped or mended, in plain sentences


@dataclass(frozen=True, eq=False)
class Body:
    """A further solid in the nominal frame: a core, or another part. Closed triangles as in Nominal."""

    name: str
    role: str
    vertices_mm: Floats
    triangles: Ints


@dataclass(frozen=True, eq=False)
class Scan:
    """What the scanner delivered.

    points_mm : (n, 3) float64, mm, scan frame
    normals : (n, 3) unit, out of material, or None when the file had none (facing unknown)
    triangles : (m, 3) int64 into points, or None for a cloud
    quantum_mm : smallest step the file's number format can hold at these coordinates
    """

    points_mm: Floats
    normals: Floats | None
    triangles: Ints | None
    declared_unit: str | None
    quantum_mm: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Samples:
    """The places on nominal where everything is measured: vertices of a refined mesh, split at creases.

    points_mm, normals : (s, 3) nominal frame; normals out of material, smooth within a face
    area_mm2 : (s,) the area each sample stands for; sums to the area of the nominal
    face : (s,) int64, index into ``Nominal.faces``
    triangles : (t, 3) int64 into samples
    triangle_source : (t,) int64, the triangle of ``Nominal`` each one was cut from
    spacing_mm : typical distance between neighbours
    """

    points_mm: Floats
    normals: Floats
    area_mm2: Floats
    face: Ints
    triangles: Ints
    triangle_source: Ints
    spacing_mm: float


class AlignmentStatus(StrEnum):
    """Whether the pose may be used."""

    ALIGNED = "aligned"
    AMBIGUOUS = "ambiguous"
    NOT_ALIGNED = "not_aligned"


@dataclass(frozen=True, eq=False)
class RivalPose:
    """Another pose that explains the scan almost as well.

    score_mm, best_score_mm : p90 of scan-to-nominal distance over the places where the two differ
    deciding_point_mm : (3,) nominal frame; scan around here and the doubt is gone
    """

    T_nominal_scan: RigidTransform
    score_mm: float
    best_score_mm: float
    deciding_point_mm: Floats
    deciding_radius_mm: float


@dataclass(frozen=True, eq=False)
class Orientation:
    """The coarse answer: where the scan lies, within ICP's reach, and what else could be.

    status and reason as in Alignment.  T_nominal_scan is None only when not aligned.
    overlap_share : share of scan points that lie on nominal within the coarse tolerance
    coverage_share : share of nominal's area that scan points explain
    """

    status: AlignmentStatus
    reason: str | None
    T_nominal_scan: RigidTransform | None
    rivals: tuple[RivalPose, ...]
    candidate_count: int
    overlap_share: float
    coverage_share: float
    seed: int


@dataclass(frozen=True, eq=False)
class Freedom:
    """How well the alignment is held.

    eigenvalues : (6,) ascending, of the information matrix divided by its largest; rotations
        are scaled by the part's rms radius so that the six compare
    weakest_screw : (6,) rotation (3) then translation (3) per unit of that scaled motion
    weakest_text : the same in words, in part axes
    weakest_sigma_mm : standard deviation of a surface point moved along the weakest screw
    covariance : (6, 6) of (rotation_rad, translation_mm) about ``centre_mm``, nominal frame
    """

    eigenvalues: Floats
    weakest_screw: Floats
    weakest_text: str
    weakest_sigma_mm: float
    covariance: Floats
    centre_mm: Floats


@dataclass(frozen=True, eq=False)
class Shrink:
    """Scale of the piece against nominal along the part axes: a diagnostic, never applied to the pose.

    scale_xyz : (3,) piece / nominal;  covariance_xyz : (3, 3)
    scale : uniform scale with its standard deviation ``scale_sigma``
    is_measured : (3,) False where the scan does not span the axis
    centre_mm : (3,) point of nominal that the scale leaves in place
    """

    scale_xyz: Floats
    covariance_xyz: Floats
    scale: float
    scale_sigma: float
    is_measured: Bools
    centre_mm: Floats


@dataclass(frozen=True, eq=False)
class Alignment:
    """The pose, how it was found, and how sure it is.

    T_nominal_scan : None when status is NOT_ALIGNED
    icp_rms_mm, robust_rms_mm : rms point-to-surface residual after ICP, and after the robust
        refinement over the points it kept
    icp_moved_mm : how far the refinement moved the part's centre from the ICP pose
    sigma_mm : robust standard deviation of the residuals (noise and form together)
    kept_share_of_scan : share of scan points with non-zero final weight
    normal_sign : what was done to the scan's normals: 1 taken as given (or there were none), -1
        turned round because they pointed into the material, 0 left out because their sides are mixed
    rests_on_all : False where surfaces named to be left out, such as those of cores, had no part in the pose
    The four lengths are NaN where status is NOT_ALIGNED before anything was fitted.
    """

    status: AlignmentStatus
    reason: str | None
    T_nominal_scan: RigidTransform | None
    icp_T_nominal_scan: RigidTransform | None
    orientation: Orientation
    freedom: Freedom | None
    shrink: Shrink | None
    icp_rms_mm: float
    robust_rms_mm: float
    icp_moved_mm: float
    sigma_mm: float
    kept_share_of_scan: float
    iterations_run: int
    normal_sign: int = 1
    rests_on_all: bool = True

    @classmethod
    def refused(cls, orientation: Orientation, reason: str) -> Self:
        """Nothing was fitted, so nothing is claimed."""
        unknown = float("nan")
        return cls(
            status=AlignmentStatus.NOT_ALIGNED,
            reason=reason,
            T_nominal_scan=None,
            icp_T_nominal_scan=None,
            orientation=orientation,
            freedom=None,
            shrink=None,
            icp_rms_mm=unknown,
            robust_rms_mm=unknown,
            icp_moved_mm=unknown,
            sigma_mm=unknown,
            kept_share_of_scan=0.0,
            iterations_run=0,
        )


@dataclass(frozen=True, eq=False)
class Deviation:
    """Deviation of the piece from nominal at every sample; > 0 is material outside nominal.

    distance_mm, is_measured, point_count : (s,) per sample
    sigma_mm : (s,) standard error of ``distance_mm`` from scan noise alone
    scan_triangle : (p,) nominal triangle each scan point was paired with, -1 if set aside
    scan_distance_mm : (p,) float64-exact signed distance, meaningless where set aside
    scan_points_mm : (p, 3) the scan points in the nominal frame (after any surface sampling of a mesh scan)
    scan_normals : (p, 3) or None
    noise_sigma_mm : robust scatter of scan points about the local mean deviation
    is_facing_known : False if the scan had no normals, so that a wall displaced by over half
        its thickness could be read from the wrong skin
    set_aside : count of scan points by reason
    """

    distance_mm: Floats
    is_measured: Bools
    point_count: Ints
    sigma_mm: Floats
    scan_triangle: Ints
    scan_distance_mm: Floats
    scan_points_mm: Floats
    scan_normals: Floats | None
    noise_sigma_mm: float
    is_facing_known: bool
    set_aside: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class ThinSpot:
    """One connected thin place.

    point_mm, opposite_point_mm : (3,) both ends of its thinnest line, nominal frame
    nominal_mm : wall there in the CAD;  least_mm : least wall found (actual where ``is_actual``)
    """

    point_mm: Floats
    opposite_point_mm: Floats
    least_mm: float
    nominal_mm: float
    area_mm2: float
    is_actual: bool
    sample_index: int


@dataclass(frozen=True, eq=False)
class Thickness:
    """Wall thickness at every sample.

    ray_mm, has_ray : nominal wall along the inward normal (median of a narrow cone)
    sphere_mm, has_sphere : diameter of the largest inscribed sphere touching the sample; the
        mask is False in the band along convex edges where the sphere says nothing about a wall
    actual_mm, is_actual_measured : the piece's wall along the ray, from deviation at both ends
    opposite_sample : (s,) int64, sample nearest the far end of the ray, -1 without one
    """

    ray_mm: Floats
    has_ray: Bools
    sphere_mm: Floats
    has_sphere: Bools
    actual_mm: Floats
    is_actual_measured: Bools
    opposite_sample: Ints
    spots: tuple[ThinSpot, ...]
    spot_limit_mm: float
    spot_limit_source: str


class Verdict(StrEnum):
    """ISO 14253-1 outcomes, and the one for what was not measured."""

    CONFORMS = "conforms"
    DOES_NOT_CONFORM = "does_not_conform"
    NOT_PROVEN = "not_proven"
    NOT_MEASURED = "not_measured"


@dataclass(frozen=True)
class Limits:
    """Least and largest permitted value, in the characteristic's own unit; None is no limit."""

    lower: float | None
    upper: float | None


@dataclass(frozen=True, eq=False)
class Characteristic:
    """One line of the plan, measured and judged.

    unit : "mm", "percent" or "deg";  U : expanded uncertainty, None if not measured
    budget : standard uncertainties by source, same unit
    details : further figures for the report (vectors in part axes and the like)
    k : coverage factor of ``U``;  dof : effective degrees of freedom, None is infinitely many
    frame, feature : name of the frame it was judged in; id of the detected feature it speaks of
    probability : of conformance (JCGM 106), 0 to 1
    limits_source : where the limits come from if not the plan's own figures, e.g. "ISO 2768-m"
    U_gum, U_monte_carlo : both ways to U, where the plan asked for Monte Carlo (JCGM 101)
    exhibits : what it shows beside its figure
    """

    id: str
    kind: str
    title: str
    unit: str
    nominal: float | None
    measured: float | None
    U: float | None
    limits: Limits
    verdict: Verdict
    reason: str | None
    point_mm: Floats | None
    region: str | None = None
    budget: Mapping[str, float] = field(default_factory=dict)
    details: Mapping[str, float | str | tuple[float, ...] | None] = field(default_factory=dict)
    sample_mask: Bools | None = None  # which samples it speaks of, for the view
    k: float | None = None
    dof: float | None = None
    frame: str | None = None
    feature: str | None = None
    probability: float | None = None
    limits_source: str | None = None
    U_gum: float | None = None
    U_monte_carlo: float | None = None
    exhibits: Exhibits = NOTHING


@dataclass(frozen=True, eq=False)
class Region:
    """A named set of samples.  source says how it was chosen (core, faces, box...)."""

    name: str
    source: str
    is_member: Bools

"""Scan onto nominal: orient, ICP, robust refinement, and an honest account of how sure the pose is."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.spatial import cKDTree

from worker.aligning.clouds import OrientationCloud, nominal_cloud
from worker.aligning.freedom import Evidence, fit_covariance, freedom_of, honest_covariance, screw_text, slippage
from worker.aligning.icp import IcpSettings, run_icp
from worker.aligning.orient import OrientationSettings, orient
from worker.aligning.pairs import Cloud, NominalSurface, Pairs
from worker.aligning.refine import Fit, FitState, Frame, Refiner, RefineSettings
from worker.aligning.same_part import SamePartSettings, difference_reason, likeness
from worker.aligning.shrink import ShrinkSettings, is_scaled, shrink_of, with_covariance
from worker.aligning.sliding import SlideSettings, is_held, noticed_share, push_length_mm
from worker.aligning.source import Source, source_of
from worker.aligning.thinning import density_weights, picked_by_area, thin_indices, typical_spacing_mm
from worker.fitting.robust import RobustFit, tukey_weights
from worker.measuring.samples import trusted_faces
from worker.records import (
    Alignment,
    AlignmentStatus,
    Bools,
    Floats,
    Freedom,
    Ints,
    Nominal,
    Orientation,
    Samples,
    Scan,
    Shrink,
)
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery


@dataclass(frozen=True, kw_only=True)
class AlignSettings:
    """All that alignment lets one choose; the parts explain their own defaults."""

    orient: OrientationSettings = field(default_factory=OrientationSettings)
    icp: IcpSettings = field(default_factory=IcpSettings)
    refine: RefineSettings = field(default_factory=RefineSettings)
    shrink: ShrinkSettings = field(default_factory=ShrinkSettings)
    slide: SlideSettings = field(default_factory=SlideSettings)
    same_part: SamePartSettings = field(default_factory=SamePartSettings)
    coarse_count: int = 12_000  # points of ICP and annealing: noise averages to a few micrometres, enough to hand on
    target_count: int = 40_000  # samples of nominal ICP pairs with
    fine_count: int = 100_000  # cells of the last fit's thinning on nominal's area; 0.02 mm noise then leaves 0.0002 mm
    fine_spacing: float = 0.6  # cells over the scan's own spacing: of points strewn at random five of six stay
    opposed_limit: float = 0.05  # share of pairs facing away after ICP that makes the coarse pose a second start
    facing_least: float = 0.5  # share explained under which the scan's normals are suspected: a right fit shows 0.6 up
    facing_gain: float = 1.5  # what turning or forgetting them must gain; chance and other parts gain less
    least_count: int = 100  # fewer points than that say nothing about a whole part
    crop_share: float = 0.10  # of the diagonal, round nominal's box: farther points are not of the part
    loose_mm: float = 0.05  # a surface free to shift by more (one sigma) is not held, however the eigenvalues look


def align(  # noqa: PLR0913  the stage's one entry; what it needs arrives from six places
    nominal: Nominal,
    samples: Samples,
    scan: Scan,
    *,
    surface: SurfaceQuery,
    settings: AlignSettings | None = None,
    seed: int = 0,
    orientation: Orientation | None = None,
    left_out: Bools | None = None,
) -> Alignment:
    """Find where the scan lies on nominal.

    samples : places on nominal with smooth normals and areas;  surface : nominal's triangles
    orientation : the coarse pose (within about 2 degrees and 1 % of size) where it is known already
    left_out : (m,) triangles of nominal the final fit must not rest on, such as those of cores, which may sit
        apart from the mould; where the rest does not hold the part all are used, and ``rests_on_all`` says so

    Objective of the final fit: sum of w (signed distance to the nearest same-facing surface)^2 with Tukey's
    weights at four robust standard deviations times the area each point stands for; scale along
    the part axes is fitted beside the pose where the piece's size differs, and left out of it.

    Returns an Alignment; status NOT_ALIGNED with a reason where the scan is too small, is another part, or
    leaves a motion free.  Nothing is modified.
    """
    settings = settings or AlignSettings()
    source = source_of(scan, seed)
    if orientation is None:
        scanned = OrientationCloud(points_mm=source.points_mm, normals=source.normals)
        orientation = orient(nominal_cloud(nominal, seed=seed), scanned, settings=settings.orient, seed=seed)
    if orientation.status is AlignmentStatus.NOT_ALIGNED or orientation.T_nominal_scan is None:
        return Alignment.refused(orientation, orientation.reason or "No orientation was found.")
    whole = NominalSurface(surface, nominal.triangle_face, trusted_faces(nominal))
    if left_out is not None and left_out.any():
        rest = _Bench(samples, source, replace(whole, left_out=left_out), settings, orientation).alignment()
        if rest.status is not AlignmentStatus.NOT_ALIGNED:
            return replace(rest, rests_on_all=False)
    return _Bench(samples, source, whole, settings, orientation).alignment()


@dataclass(frozen=True, eq=False)
class _Weighed:
    """Pairs as the final fit weighs them; fit : with rows (n, 9) of pose and scale;  face : (n,) of nominal."""

    evidence: Evidence
    fit: RobustFit
    face: Ints

    @property
    def of_pose(self) -> _Weighed:
        """The same of the pose alone."""
        return replace(self, fit=replace(self.fit, rows=self.fit.rows[:, :6]))


@dataclass(frozen=True, eq=False)
class _Refined:
    """The final fit and what was learnt on the way."""

    fit: Fit
    cloud: Cloud
    shrink: Shrink | None
    is_scaled: bool
    icp_pose: RigidTransform
    icp_rms_mm: float
    iterations_run: int
    normal_sign: int


class _Bench:
    """One scan laid on one nominal."""

    def __init__(
        self,
        samples: Samples,
        source: Source,
        surface: NominalSurface,
        settings: AlignSettings,
        orientation: Orientation,
    ) -> None:
        self._samples = samples
        self._surface = surface
        self._settings = settings
        self._orientation = orientation
        self._frame = frame_of(samples)
        self._refiner = Refiner(surface, self._frame, settings.refine)
        target = picked_by_area(samples.area_mm2, settings.target_count)
        self._target_mm, self._target_normals = samples.points_mm[target], samples.normals[target]
        self._even = source.chosen(self._evenly(source))

    def _evenly(self, source: Source) -> Ints:
        """Points at one spacing, from nominal's own area, so that they do not depend on the pose they are looked at."""
        if not len(source.points_mm):
            return np.empty(0, dtype=np.int64)
        area = float(self._samples.area_mm2.sum())
        spacing = self._settings.fine_spacing * typical_spacing_mm(source.points_mm)
        cell = max(spacing, float(np.sqrt(area / self._settings.fine_count)))
        return thin_indices(source.points_mm, cell, source.normals)

    def alignment(self) -> Alignment:
        """All steps."""
        start = self._orientation.T_nominal_scan
        if start is None:
            raise ValueError("an orientation without a pose cannot be refined")
        near = self._near(start)
        if len(near.points_mm) < self._settings.least_count:
            return Alignment.refused(self._orientation, self._too_few(len(near.points_mm)))
        refined = self._refined(_cloud(near.every(self._settings.coarse_count)), start)
        kept = np.flatnonzero(refined.fit.weights > 0)
        if len(kept) < self._settings.least_count:
            return Alignment.refused(self._orientation, self._too_few(len(kept)))
        result = self._described(refined)
        fault = self._difference(refined.fit.state, refined.normal_sign) or self._free_motion(refined, result.freedom)
        if fault is None:
            return result
        return replace(
            result, status=AlignmentStatus.NOT_ALIGNED, reason=fault, T_nominal_scan=None, icp_T_nominal_scan=None
        )

    def _too_few(self, count: int) -> str:
        return f"Only {count} scan points lie on the nominal; {self._settings.least_count} are needed."

    def _near(self, pose: RigidTransform) -> Source:
        """The points within the margin round nominal's box, as the pose has them."""
        margin = self._settings.crop_share * self._frame.diagonal_mm
        points = pose.apply(self._even.points_mm)
        low, high = self._samples.points_mm.min(axis=0) - margin, self._samples.points_mm.max(axis=0) + margin
        return self._even.chosen(np.flatnonzero(((points > low) & (points < high)).all(axis=1)))

    def _refined(self, coarse: Cloud, start: RigidTransform) -> _Refined:
        """ICP, annealing from where it ended and from where it began, then the full fit from the better."""
        refiner = self._refiner
        icp = run_icp(coarse.points_mm, self._target_mm, self._target_normals, start, self._settings.icp)
        looked = refiner.look(coarse, FitState(icp.T_nominal_scan, np.ones(3)))
        scaled, coarse, sign = self._annealed(coarse, icp.T_nominal_scan, start)
        begun = FitState(scaled.state.T_nominal_scan, np.ones(3))
        plain = refiner.look(coarse, begun)
        has_scale = is_scaled(self._shrink(scaled, coarse), plain.sigma_mm, scaled.sigma_mm, self._settings.shrink)
        chosen = scaled
        if not has_scale:
            chosen = refiner.anneal(coarse, begun, has_scale=False, width_mm=3 * plain.width_mm)
        fine = _cloud(self._near(chosen.state.T_nominal_scan)).turned(sign)
        fit = refiner.settle(fine, chosen.state, has_scale=has_scale)
        with_scale = fit if has_scale else refiner.with_scale(fine, fit)
        return _Refined(
            fit,
            fine,
            self._shrink(with_scale, fine),
            has_scale,
            icp.T_nominal_scan,
            _rms(looked),
            chosen.iterations_run + fit.iterations_run,
            sign,
        )

    def _opposed_share(self, fit: Fit) -> float:
        """Share of the points within the gate that face away: ICP, blind to sides, may have taken the wrong skin."""
        is_near = np.abs(fit.pairs.residual_mm) < fit.gate_mm
        return float((is_near & ~fit.pairs.is_facing).sum() / max(is_near.sum(), 1))

    def _annealed(self, cloud: Cloud, icp_pose: RigidTransform, start: RigidTransform) -> tuple[Fit, Cloud, int]:
        """The annealed fit with scale, the cloud as it was used, and what was done to its normals."""
        poses = [FitState(pose, np.ones(3)) for pose in (icp_pose, start)]
        fit = self._refiner.anneal(cloud, poses[0], has_scale=True)
        if self._opposed_share(fit) > self._settings.opposed_limit:
            fit = self._best(cloud, [fit, self._refiner.anneal(cloud, poses[1], has_scale=True)])
        share = self._explained_share(cloud, fit)
        if cloud.normals is None or share > self._settings.facing_least:
            return fit, cloud, 1
        for sign in (-1, 0):
            other_cloud = cloud.turned(sign)
            other = self._refiner.anneal(other_cloud, poses[0], has_scale=True)
            if self._explained_share(other_cloud, other) > self._settings.facing_gain * share:
                return other, other_cloud, sign
        return fit, cloud, 1

    def _explained_share(self, cloud: Cloud, fit: Fit) -> float:
        """Share of the points about the nominal that the fit explains, by area and weight."""
        near = np.abs(fit.pairs.residual_mm) < self._settings.refine.gate_limit_share * self._frame.diagonal_mm
        near &= self._surface.is_relied_on(fit.pairs.triangle)
        total = float(cloud.weights[near].sum())
        return float(fit.weights[near].sum()) / total if total > 0 else 0.0

    def _best(self, cloud: Cloud, fits: list[Fit]) -> Fit:
        """The fit that explains most of the scan at the widest of their widths."""
        width = max(fit.width_mm for fit in fits)
        explained = [
            float((cloud.weights * fit.pairs.trust * tukey_weights(fit.pairs.residual_mm, width)).sum()) for fit in fits
        ]
        return fits[int(np.argmax(explained))]

    def _evidence(self, fit: Fit, cloud: Cloud) -> _Weighed:
        """The weighty pairs, with rows of pose and scale."""
        kept = np.flatnonzero(fit.weights > 0)
        rows = self._refiner.jacobian(fit, has_scale=True)[:, kept]
        robust = RobustFit(rows.T, (cloud.weights * fit.pairs.trust)[kept], fit.pairs.residual_mm[kept], fit.width_mm)
        evidence = Evidence(
            fit.points_mm[kept],
            fit.pairs.direction[kept],
            robust.residual_mm,
            robust.weights,
            slope_share=robust.slope_share,
        )
        return _Weighed(evidence, robust, self._surface.triangle_face[fit.pairs.triangle[kept]])

    def _shrink(self, fit: Fit, cloud: Cloud) -> Shrink | None:
        if np.count_nonzero(fit.weights) < self._settings.least_count:
            return None
        weighed = self._evidence(fit, cloud)
        covariance = fit_covariance(weighed.fit.rows.T, weighed.evidence)[6:, 6:] / self._frame.radius_mm**2
        return shrink_of(fit.state.scale_xyz, covariance, self._frame.centre_mm, self._settings.shrink)

    def _described(self, refined: _Refined) -> Alignment:
        fit, pose = refined.fit, refined.fit.state.T_nominal_scan
        weighed = self._evidence(fit, refined.cloud)
        evidence, posed = weighed.evidence, weighed.of_pose
        scaled_mm = fit_covariance((weighed if refined.is_scaled else posed).fit.rows.T, evidence)[:6, :6]
        unit = np.r_[np.full(3, 1 / self._frame.radius_mm), np.ones(3)]
        covariance = scaled_mm * unit[:, None] * unit
        freedom = freedom_of(evidence, self._smoothed(evidence), covariance, self._frame.centre_mm)
        pose_mm = honest_covariance(evidence, (weighed if refined.is_scaled else posed).fit, weighed.face)
        scale_mm = honest_covariance(evidence, weighed.fit, weighed.face, keeps_weights=True)[6:, 6:]
        freedom = replace(freedom, covariance=pose_mm[:6, :6] * unit[:, None] * unit)
        centre_scan = refined.icp_pose.inverse().apply(self._frame.centre_mm)
        return Alignment(
            status=self._orientation.status,
            reason=self._orientation.reason,
            T_nominal_scan=pose,
            icp_T_nominal_scan=refined.icp_pose,
            orientation=self._orientation,
            freedom=freedom,
            shrink=with_covariance(refined.shrink, scale_mm / self._frame.radius_mm**2),
            icp_rms_mm=refined.icp_rms_mm,
            robust_rms_mm=_rms(fit),
            icp_moved_mm=float(np.linalg.norm(pose.apply(centre_scan) - self._frame.centre_mm)),
            sigma_mm=fit.sigma_mm,
            kept_share_of_scan=float((fit.weights > 0).mean()),
            iterations_run=refined.iterations_run,
            normal_sign=refined.normal_sign,
        )

    def _smoothed(self, evidence: Evidence) -> Evidence:
        """The same evidence moved to the nearest sample of nominal with its smooth normal."""
        tree = cKDTree(self._target_mm)
        step = -(-len(evidence.weights) // self._settings.coarse_count)
        points, normals, weights = (
            evidence.points_mm[::step],
            evidence.normals[::step],
            evidence.weights[::step],
        )
        nearest = tree.query(points, k=min(4, len(self._target_mm)), workers=1)[1].reshape(len(points), -1)
        agreement = np.einsum("ijk,ik->ij", self._target_normals[nearest], normals)
        chosen = nearest[np.arange(len(points)), np.argmax(agreement > 0.7, axis=1)]
        return Evidence(self._target_mm[chosen], self._target_normals[chosen], np.zeros(len(points)), weights)

    def _difference(self, state: FitState, sign: int) -> str | None:
        """Why this is another part, judged over the whole scan, table and all."""
        settings = self._settings
        whole = self._even.every(settings.coarse_count)
        cloud = Cloud(whole.points_mm, whole.normals, np.ones(len(whole.points_mm))).turned(sign)
        fit = self._refiner.look(cloud, state)
        found = likeness(fit.points_mm, fit.pairs, self._samples, self._surface.query, settings.same_part)
        return difference_reason(found, settings.same_part)

    def _free_motion(self, refined: _Refined, freedom: Freedom | None) -> str | None:
        """What the part could still do, in words, or None where all is held."""
        if freedom is None:
            return "No pairs hold the pose."
        smooth = self._smoothed(self._evidence(refined.fit, refined.cloud).evidence)
        values, screws = slippage(smooth.points_mm, smooth.normals, smooth.weights)
        weak = np.flatnonzero(values < self._settings.slide.tried_under)
        noticed = np.ones(len(values))
        noticed[weak] = [self._noticed(refined, smooth, screws[:, index]) for index in weak]
        free = np.flatnonzero(~is_held(values, noticed, self._settings.slide))
        if not len(free) and freedom.weakest_sigma_mm < self._settings.loose_mm:
            return None
        motion = (
            screw_text(screws[:, free[0]], smooth.centre_mm, smooth.radius_mm) if len(free) else freedom.weakest_text
        )
        more = f" ({len(free)} free motions in all)" if len(free) > 1 else ""
        return f"What was scanned does not hold the part: {motion}{more}. Scan more faces."

    def _noticed(self, refined: _Refined, smooth: Evidence, screw: Floats) -> float:
        """Push the final pose along the screw, forth and back, and see what the residuals say."""
        settings, state = self._settings.slide, refined.fit.state
        step = -(-len(refined.cloud.points_mm) // self._settings.slide.point_count)
        cloud = refined.cloud.chosen(np.flatnonzero(refined.fit.weights > 0)[::step])
        push = push_length_mm(refined.fit.sigma_mm, self._frame.diagonal_mm, settings)

        def pairs(amount: float) -> Pairs:
            motion = RigidTransform.about(amount * screw[:3] / smooth.radius_mm, amount * screw[3:], smooth.centre_mm)
            return self._refiner.look(cloud, replace(state, T_nominal_scan=motion @ state.T_nominal_scan)).pairs

        return noticed_share(pairs(0.0), (pairs(push), pairs(-push)), push, settings)


def frame_of(samples: Samples) -> Frame:
    """Area centroid, rms radius and diagonal of nominal."""
    area = samples.area_mm2 / samples.area_mm2.sum()
    centre = (samples.points_mm * area[:, None]).sum(axis=0)
    arm = samples.points_mm - centre
    radius = float(np.sqrt((np.einsum("ij,ij->i", arm, arm) * area).sum()))
    return Frame(centre, radius, float(np.linalg.norm(np.ptp(samples.points_mm, axis=0))))


def _cloud(source: Source) -> Cloud:
    return Cloud(source.points_mm, source.normals, density_weights(source.points_mm))


def _rms(fit: Fit) -> float:
    """Weighted root mean square of the residuals the fit kept."""
    total = float(fit.weights.sum())
    return float(np.sqrt((fit.weights * fit.pairs.residual_mm**2).sum() / total)) if total > 0 else float("nan")

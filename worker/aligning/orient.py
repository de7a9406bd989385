"""Orientation: where a scan lies on its nominal, from any pose whatever, and what else it could be.

Guesses by surface directions and by correlation of volumes, all fitted at once; then every near symmetry of
the part is held against the best pose, and decided only where the two differ.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from worker.aligning.candidates import CorrelationVolume, SearchSettings, guessed_poses, guessed_rotations
from worker.aligning.clouds import OrientationCloud, ThinScan, chosen_points, lightened, thin_scan
from worker.aligning.clutter import is_in_company, is_possibly_part
from worker.aligning.deciding import deciding_place, self_motion
from worker.aligning.likeness import LikenessSettings, difference_reason, likeness_of
from worker.aligning.poses import (
    FitSchedule,
    Points,
    Poses,
    distinct,
    explained,
    fitted,
    quick_distances_mm,
    stacked,
    unmoved,
)
from worker.aligning.rivals import RivalSettings, panel_of, searched_best, settled, shortlisted
from worker.aligning.scoring import Comparison, Contest, Court, ScoringSettings, spread_mm
from worker.aligning.symmetry import SymmetrySettings, nearly_symmetric_motions
from worker.aligning.target import Target, target_of
from worker.aligning.thinning import thin_to_count
from worker.records import AlignmentStatus, Bools, Floats, Ints, Orientation, RivalPose
from worker.rigid import RigidTransform

TURNS_NAMED = 6  # of a part that is itself symmetric; a shaft without a key has no end of them


@dataclass(frozen=True, kw_only=True)
class OrientationSettings:
    """Sizes and limits; shares and reaches are of the nominal's diagonal."""

    most_points: int = 2_000_000  # fifty times what is kept; of a larger scan every second, third... point is taken
    dense_count: int = 40_000  # a 6 mm hole in a 120 mm flange then holds over a hundred points
    sparse_count: int = 2_400  # the search; a tenth would do without clutter
    coarse_count: int = 400  # points of the first fits: with nine tenths clutter, forty are of the part
    fine_count: int = 900  # points of the second fits
    fine_kept: int = 120  # guesses fitted a second time
    searched_kept: int = 16  # poses of the search that stay in the running
    cell_count: int = 1_000_000  # of the look-up grid: 1.3 mm on a cylinder head of 160 mm
    scale_sigma: float = 0.01  # print shrink and casting allowance, one sigma
    flat_share: float = 0.006  # how thick a table's plane may look, warp and noise included
    margin_share: float = 0.03  # round the nominal's box: evidence
    boxes: int = 6  # poses in whose boxes evidence is gathered: near symmetries share them
    least_dense_share: float = 0.6  # with less of the thinned scan near the part, the scan is thinned again there
    coarse_reaches: tuple[float, ...] = (0.1, 0.1, 0.08, 0.08, 0.06, 0.06, 0.05, 0.05)
    coarse_score_reach: float = 0.03
    fine_reaches: tuple[float, ...] = (0.04, 0.04, 0.03, 0.03, 0.02, 0.02, 0.02, 0.02)
    fine_score_reach: float = 0.015
    least_points: int = 200  # fewer say nothing about a pose
    least_extent: float = 0.05  # a scan smaller than that of the part says nothing either
    search: SearchSettings = field(default_factory=SearchSettings)
    symmetry: SymmetrySettings = field(default_factory=SymmetrySettings)
    rivals: RivalSettings = field(default_factory=RivalSettings)
    scoring: ScoringSettings = field(default_factory=ScoringSettings)
    likeness: LikenessSettings = field(default_factory=LikenessSettings)


def orient(
    nominal: OrientationCloud,
    scan: OrientationCloud,
    *,
    settings: OrientationSettings | None = None,
    seed: int = 0,
) -> Orientation:
    """Find the pose of the scan, within reach of ICP (better than 1 % of the part's size and 2 degrees).

    nominal : with normals and surface, nominal frame;  scan : any density, scan frame
    seed : of the order in which points are taken; same input and seed, same result

    Status AMBIGUOUS comes with the best pose, the rivals that the scan does not tell from it and, for each, the
    place to scan; a part that is itself symmetric has no such place, and the reason says so.  Status
    NOT_ALIGNED has no pose.  Nothing is modified.
    """
    settings = settings or OrientationSettings()
    rng = np.random.default_rng(seed)
    scan = lightened(scan, settings.most_points)
    target = target_of(nominal, cell_count=settings.cell_count)
    fault = _unfit(scan.points_mm, target, settings)
    if fault is not None:
        return _refused(fault, seed)
    scan = chosen_points(scan, is_in_company(scan.points_mm))
    thin = thin_scan(scan, dense_count=settings.dense_count, sparse_count=settings.sparse_count)
    flat_mm = settings.flat_share * target.diagonal_mm
    is_kept = is_possibly_part(thin.sparse_mm, thin.sparse_normals, diagonal_mm=target.diagonal_mm, flat_mm=flat_mm)
    if np.count_nonzero(is_kept) < settings.least_points:
        return _refused("Nothing but flat surface wider than the part was scanned.", seed)
    view = _View(scan.points_mm, thin, np.flatnonzero(is_kept))
    first = _Search(target, settings, seed).oriented(view, rng)
    if first.status is not AlignmentStatus.NOT_ALIGNED:
        return first
    second = _Search(target, _thorough(settings), seed).oriented(view, rng)
    return replace(second, candidate_count=first.candidate_count + second.candidate_count)


@dataclass(frozen=True, eq=False)
class _View:
    """The scan as a search looks at it.

    points_mm : (n, 3) all of it but strays;  likely : indices of the sparse points that may be the part's
    """

    points_mm: Floats
    thin: ThinScan
    likely: Ints


def _thorough(settings: OrientationSettings) -> OrientationSettings:
    """For a second try, where clutter hid the part from the first or there is no part: twice of everything."""
    search = replace(
        settings.search,
        rotation_count=2 * settings.search.rotation_count,
        rotation_spacing_rad=0.7 * settings.search.rotation_spacing_rad,
        shifts_per_rotation=2 * settings.search.shifts_per_rotation,
    )
    return replace(settings, coarse_count=2 * settings.coarse_count, fine_kept=2 * settings.fine_kept, search=search)


class _Search:
    """One scan and one nominal; scan coordinates are about the scan's mean."""

    def __init__(self, target: Target, settings: OrientationSettings, seed: int) -> None:
        self._target = target
        self._settings = settings
        self._seed = seed
        self.candidate_count = 0

    def oriented(self, view: _View, rng: np.random.Generator) -> Orientation:
        """Search, gather evidence, judge."""
        likely = rng.permutation(view.likely)
        origin_mm = view.thin.sparse_mm[likely].mean(axis=0)
        found = self.best(Points(view.thin.sparse_mm[likely] - origin_mm, view.thin.sparse_normals[likely]))
        evidence = self.evidence(view.points_mm - origin_mm, view.thin.dense_mm - origin_mm, found)
        if len(evidence) < self._settings.least_points:
            return _refused("No pose lays enough of the scan on the nominal.", self._seed, self.candidate_count)
        return self.judged(found, rng.permutation(evidence), view.thin.sparse_mm - origin_mm, origin_mm)

    def best(self, points: Points) -> Poses:
        """Guess, fit all, and keep the distinct best."""
        target, settings = self._target, self._settings
        size = target.diagonal_mm
        stride = max(1, len(target.grid.normals) // 2000)
        rotations = guessed_rotations(target.grid.normals[::stride], points.normals, settings.search)
        volume = CorrelationVolume.of(target.grid.points_mm, settings.search)
        poses = guessed_poses(rotations, points.mm, volume, settings.search)
        self.candidate_count += len(poses)
        few = points.first(settings.coarse_count)
        schedule = FitSchedule(reaches_mm=tuple(size * reach for reach in settings.coarse_reaches), scale_sigma=0.0)
        poses = fitted(poses, few, target.quick_pairs, schedule)
        score = explained(poses, few, target.quick_pairs, settings.coarse_score_reach * size)
        poses = poses.chosen(np.argsort(-score, kind="stable")[: settings.fine_kept])
        more = points.first(settings.fine_count)
        reaches = tuple(size * reach for reach in settings.fine_reaches)
        schedule = FitSchedule(reaches_mm=reaches, scale_sigma=settings.scale_sigma)
        poses = fitted(poses, more, target.quick_pairs, schedule)
        reach_mm = settings.fine_score_reach * size
        return searched_best(poses, points, target, reach_mm=reach_mm, count=settings.searched_kept)

    def evidence(self, points_mm: Floats, dense_mm: Floats, poses: Poses) -> Floats:
        """Scan points in the nominal's box under one of the best poses, evenly thinned.

        points_mm : (n, 3) the whole scan, looked at only if clutter makes up much of dense_mm, its thinned form
        """
        is_near = self._is_in_box(dense_mm, poses)
        if is_near.mean() > self._settings.least_dense_share or len(dense_mm) == len(points_mm):
            return dense_mm[is_near]
        near_mm = points_mm[self._is_in_box(points_mm, poses.chosen(np.arange(min(len(poses), 2))))]
        return near_mm[thin_to_count(near_mm, self._settings.dense_count)] if len(near_mm) else near_mm

    def _is_in_box(self, points_mm: Floats, poses: Poses) -> Bools:
        margin_mm = self._settings.margin_share * self._target.diagonal_mm
        reach_mm = self._target.corners_mm.max(axis=0) + margin_mm
        is_inside = np.zeros(len(points_mm), dtype=np.bool_)
        for index in range(min(len(poses), self._settings.boxes)):
            places = poses.chosen(np.array([index])).places(points_mm)[0]
            is_inside |= (np.abs(places) < reach_mm).all(axis=1)
        return is_inside

    def judged(self, found: Poses, evidence_mm: Floats, whole_mm: Floats, origin_mm: Floats) -> Orientation:
        """Hold all rivals against each other and say what came of it.

        whole_mm : (n, 3) the scan with its surroundings, evenly thinned
        """
        target, settings = self._target, self._settings
        motions = nearly_symmetric_motions(target, settings.symmetry)
        self.candidate_count += len(motions)
        likeliest = found.chosen(np.array([0]))
        panel = panel_of(evidence_mm, likeliest, target, settings.rivals)
        pool = stacked(found, likeliest.after(motions))
        poses = shortlisted(pool, panel, target, settings.scale_sigma, settings.rivals)
        court = self._court(poses, evidence_mm)
        contest = court.contest(poses, quick_distances_mm(poses, evidence_mm, target))
        winner = settled(
            poses.chosen(np.array([contest.winner])), evidence_mm, target, settings.scale_sigma, settings.rivals
        )
        placed_mm = winner.places(evidence_mm)[0]
        like = likeness_of(placed_mm[:4000], target, panel.scatter_mm, settings.likeness)
        gaps = target.exact_distance_mm(winner.places(whole_mm)[0])
        overlap = float((gaps < settings.likeness.blunt_share * target.diagonal_mm).mean())
        fault = difference_reason(like, settings.likeness)
        if fault is not None:
            return _refused(fault, self._seed, self.candidate_count, (overlap, like.coverage_share))
        rivals, turns_deg = self._rivals(poses, contest, court, origin_mm)
        return Orientation(
            status=AlignmentStatus.AMBIGUOUS if rivals or turns_deg else AlignmentStatus.ALIGNED,
            reason=_doubt(rivals, turns_deg),
            T_nominal_scan=_rigid(winner, target, placed_mm.mean(axis=0), origin_mm),
            rivals=rivals,
            candidate_count=self.candidate_count,
            overlap_share=overlap,
            coverage_share=like.coverage_share,
            seed=self._seed,
        )

    def _court(self, poses: Poses, evidence_mm: Floats) -> Court:
        target, scoring = self._target, self._settings.scoring
        first = poses.chosen(np.array([0])).places(evidence_mm[:2000])[0]
        scatter = spread_mm(target.exact_distance_mm(first), self._settings.fine_score_reach * target.diagonal_mm)
        near_mm = max(scoring.near_sigmas * scatter, scoring.least_near_share * target.diagonal_mm)
        return Court(target, evidence_mm, near_mm, scoring.far_over_near * near_mm, scoring)

    def _rivals(
        self, poses: Poses, contest: Contest, court: Court, origin_mm: Floats
    ) -> tuple[tuple[RivalPose, ...], list[float]]:
        """The undecided poses that a further scan would tell apart, and the turns (deg) of those none could."""
        target = self._target
        winner = poses.chosen(np.array([contest.winner]))
        placed_mm = winner.places(court.evidence_mm)[0]
        tree = cKDTree(placed_mm)
        rivals, turns_deg = [], []
        for index, comparison in zip(contest.undecided, contest.comparisons, strict=True):
            rival = poses.chosen(np.array([index]))
            motion = self_motion(winner, rival, target)
            if len(distinct(stacked(unmoved(), motion), target, self._settings.rivals.spacing)) == 1:
                continue  # the same pose, fitted twice; ICP will settle it
            place = deciding_place(target, motion, tree, court.far_mm)
            pose = _rigid(rival, target, rival.places(court.evidence_mm)[0].mean(axis=0), origin_mm)
            if place is None:
                turns_deg.append(float(np.degrees(Rotation.from_matrix(motion.rotation[0]).magnitude())))
            else:
                rivals.append(_rival(pose, comparison, place.point_mm + target.centre_mm, place.radius_mm))
        return tuple(rivals), turns_deg


def _rival(pose: RigidTransform, comparison: Comparison, point_mm: Floats, radius_mm: float) -> RivalPose:
    return RivalPose(
        T_nominal_scan=pose,
        score_mm=comparison.second_p90_mm,
        best_score_mm=comparison.first_p90_mm,
        deciding_point_mm=point_mm,
        deciding_radius_mm=radius_mm,
    )


def _rigid(pose: Poses, target: Target, pivot_mm: Floats, origin_mm: Floats) -> RigidTransform:
    """The one pose without its scale, unchanged at the pivot (centred nominal frame)."""
    rotation = pose.rotation[0]
    shift = pivot_mm - (pivot_mm - pose.shift_mm[0]) / pose.scale[0]
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    matrix[:3, 3] = shift + target.centre_mm - rotation @ origin_mm
    return RigidTransform.from_matrix(matrix)


def _doubt(rivals: tuple[RivalPose, ...], turns_deg: list[float]) -> str | None:
    """What is not sure about the pose, in a sentence; None if nothing is."""
    doubts = []
    if rivals:
        x, y, z = rivals[0].deciding_point_mm
        doubts.append(
            f"The scan fits {len(rivals) + 1} poses equally well: what tells them apart was not scanned (closely "
            f"enough) or is missing on the piece. Scan near ({x:.1f}, {y:.1f}, {z:.1f}) mm of the nominal to decide."
        )
    if turns_deg:
        turns = sorted({round(turn) for turn in turns_deg})
        listed = ", ".join(map(str, turns[:TURNS_NAMED])) + (" ..." if len(turns) > TURNS_NAMED else "")
        count = f"{len(turns_deg)} other pose" + ("s" if len(turns_deg) > 1 else "")
        doubts.append(
            f"The nominal is the same in {count} found (turned by {listed} degrees): no scan tells them apart."
        )
    return " ".join(doubts) or None


def _unfit(points_mm: Floats, target: Target, settings: OrientationSettings) -> str | None:
    """Why a scan cannot be oriented at all; None if it may."""
    if len(points_mm) < settings.least_points:
        return f"The scan has {len(points_mm)} points; at least {settings.least_points} are needed."
    if not np.isfinite(points_mm).all():
        return "The scan has coordinates that are not finite."
    extent = float(np.linalg.norm(np.ptp(points_mm, axis=0)))
    if extent < settings.least_extent * target.diagonal_mm:
        return f"The scan spans {extent:.3g} mm, the nominal {target.diagonal_mm:.3g} mm."
    return None


def _refused(reason: str, seed: int, candidate_count: int = 0, shares: tuple[float, float] = (0.0, 0.0)) -> Orientation:
    return Orientation(
        status=AlignmentStatus.NOT_ALIGNED,
        reason=reason,
        T_nominal_scan=None,
        rivals=(),
        candidate_count=candidate_count,
        overlap_share=shares[0],
        coverage_share=shares[1],
        seed=seed,
    )

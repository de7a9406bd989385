"""What a move of the plan takes hold of, and how it goes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from shared.plan import FeaturePick, Move, MoveOf, Plan, Scenario
from worker.features.records import Feature, FeatureKind
from worker.judging.finding import Unmeasured
from worker.judging.limits import unfit
from worker.judging.measured import Measured
from worker.judging.placing import part_at
from worker.measuring.patches import JOIN_STEP_MM
from worker.measuring.regions import region_triangles
from worker.records import Bools, Floats, Ints, Region
from worker.rigid import RigidTransform
from worker.whatif.motions import Motion, Offset

MOST_CUT_SHARE = 0.25  # of the region's area: seams of a core run through a ring of triangles, half a face does not
BODY = "body"


@dataclass(frozen=True, eq=False)
class Part:
    """What a move takes along.

    name : of the region, id of the feature, or name of the body
    source : ``feature``, ``body``, or how the region was chosen (``core``...)
    is_triangle : (m,) triangles of nominal that move; none for a body
    is_sample : (s,) samples on them
    is_seam : (s,) samples of the surface beside it that lie at the same places
    place : (s,) number of the place each sample lies at; samples on both sides of a crease share one
    T_piece_body : from a body's own file to the piece, where the plan places it
    """

    name: str
    source: str
    is_triangle: Bools
    is_sample: Bools
    is_seam: Bools
    place: Ints
    T_piece_body: RigidTransform = field(default_factory=RigidTransform.identity)

    @property
    def is_body(self) -> bool:
        """Whether it is a solid beside the piece."""
        return self.source == BODY


@dataclass(frozen=True, eq=False)
class Step:
    """One part and how it goes.  of : whether CAD and piece go together, or the piece alone."""

    part: Part
    motion: Motion
    of: MoveOf


@dataclass(frozen=True)
class Taking:
    """How a plan names a part: exactly one of the three."""

    region: str | None = None
    feature: FeaturePick | None = None
    body: str | None = None


def part_of(taking: Taking, plan_mm: Plan, measured: Measured, where: str) -> Part:
    """The surface or body that is named; a body by its own name, or by that of a placed part.

    where : the plan's entry, for the error

    Raises
    ------
    PlanInvalid
        If the piece has none of that name, or the region ends in the middle of large triangles.

    """
    is_own = np.zeros(len(measured.nominal.triangles), dtype=bool)
    if taking.body is not None:
        return _body(taking.body, plan_mm, measured, where)
    if taking.feature is not None:
        feature = measured.feature(taking.feature, where)
        is_own[feature.triangles] = True
        return _skin(feature.id, "feature", is_own, measured)
    region = measured.region(str(taking.region))
    triangles = region_triangles(region, measured.samples, len(is_own))
    share = _cut_share(region, triangles, measured)
    if share > MOST_CUT_SHARE:
        raise unfit(
            where,
            f"region '{region.name}' ends in the middle of triangles of the CAD, {share:.0%} of it",
            "A move takes whole triangles: choose the region by its faces, or move a feature.",
        )
    return _skin(region.name, region.source, triangles, measured)


def _skin(name: str, source: str, is_triangle: Bools, measured: Measured) -> Part:
    samples = measured.samples
    member = np.zeros(len(samples.face), dtype=bool)
    member[samples.triangles[is_triangle[samples.triangle_source]].ravel()] = True
    place = _places(samples.points_mm)
    taken = np.zeros(int(place.max(initial=0)) + 1, dtype=bool)
    taken[place[member]] = True
    return Part(name, source, is_triangle, member, taken[place] & ~member, place)


def _places(points_mm: Floats) -> Ints:
    """Number (s,) of the place each point lies at."""
    cell = np.round(points_mm / JOIN_STEP_MM).astype(np.int64)
    order = np.lexsort(cell.T)
    is_new = np.r_[False, (np.diff(cell[order], axis=0) != 0).any(axis=1)]
    place = np.empty(len(cell), dtype=np.int64)
    place[order] = np.cumsum(is_new)
    return place


def _body(name: str, plan_mm: Plan, measured: Measured, where: str) -> Part:
    nothing = np.zeros(len(measured.nominal.triangles), dtype=bool)
    no_sample = np.zeros(len(measured.samples.face), dtype=bool)
    none = np.zeros(0, dtype=np.int64)
    placed = next((entry for entry in plan_mm.mock_up if entry.name == name), None)
    if placed is not None:
        found = part_at(name, plan_mm, measured)
        if isinstance(found, Unmeasured):
            raise unfit(where, found.reason, "A part can be moved from where it is placed only.")
        return Part(placed.body, BODY, nothing, no_sample, no_sample, none, found.T_drawn)
    known = [body.name for body in measured.bodies]
    if name not in known:
        listed = ", ".join((*known, *(entry.name for entry in plan_mm.mock_up))) or "none was given"
        raise unfit(where, f"no body is named '{name}' (known: {listed})", "Name a body of this revision.")
    return Part(name, BODY, nothing, no_sample, no_sample, none)


def motion_of(move: Move, part: Part, measured: Measured, where: str) -> Motion:
    """How a move of the plan, lengths in mm, takes its part along.

    Raises
    ------
    PlanInvalid
        If a diameter is to change of what has none.

    """
    if move.translation is not None:
        return RigidTransform.from_rotation_vector(np.zeros(3), np.array(move.translation))
    if move.offset is not None:
        return Offset(move.offset)
    if move.diameter_change is not None:
        return diameter_offset(move.diameter_change, feature_of(part, measured), where)
    if move.rotation_axis is None or move.rotation_degrees is None or move.point is None:
        raise ValueError("a move without a way")
    axis = np.array(move.rotation_axis)
    turn: Floats = np.radians(move.rotation_degrees) * axis / np.linalg.norm(axis)
    return RigidTransform.about(turn, np.zeros(3), np.array(move.point))


def feature_of(part: Part, measured: Measured) -> Feature:
    """The feature a part is."""
    return next(feature for feature in measured.features if feature.id == part.name)


def diameter_offset(change_mm: float, feature: Feature, where: str) -> Offset:
    """The offset that changes a feature's diameter or width by so much.

    Raises
    ------
    PlanInvalid
        If the feature has no diameter.

    """
    if feature.kind is FeatureKind.PLANE:
        raise unfit(where, f"{feature.id} has no diameter", "Give an offset instead.")
    half = change_mm / 2 * float(np.cos(feature.half_angle_rad or 0.0))
    return Offset(-half if feature.is_internal or feature.kind is FeatureKind.PATTERN else half)


def steps_of(entry: Scenario, plan_mm: Plan, measured: Measured) -> tuple[Step, ...]:
    """Moves of a scenario, lengths in mm, found in the piece.

    Raises
    ------
    PlanInvalid
        If one names what the piece does not have.

    """
    steps = []
    for number, move in enumerate(entry.moves):
        where = f"what if {entry.name}, moves[{number}]"
        part = part_of(Taking(move.region, move.feature, move.body), plan_mm, measured, where)
        steps.append(Step(part, motion_of(move, part, measured, where), entry.of))
    return tuple(steps)


def _cut_share(region: Region, is_triangle: Bools, measured: Measured) -> float:
    """Area in which whole triangles and the region's own samples disagree, as a share of the region's."""
    samples = measured.samples
    corners = samples.points_mm[samples.triangles]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    inside = region.is_member[samples.triangles].mean(axis=1)
    wrong = np.abs(inside - is_triangle[samples.triangle_source])
    whole = float(area @ inside)
    return float(area @ wrong) / whole if whole > 0 else 0.0

"""One simulated inspection: from the scan of a piece in a random pose to judged characteristics."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from shared.plan import Plan, Uncertainty, UncertaintyMethod
from tests.benchmarks.coverage_decisions import DECISION_CHANCES, decision_lines, decision_plan
from tests.benchmarks.coverage_decisions_truth import DecisionTruth
from tests.benchmarks.coverage_piece import CHANCES, Chances, random_piece, scan_of
from tests.benchmarks.coverage_plan import Line, coverage_lines, coverage_plan
from tests.benchmarks.coverage_truth import Truth
from tests.support.alignments import oriented
from tests.support.coverage_part import CoveragePart, coverage_part
from tests.support.decision_part import decision_part
from worker.aligning.align import AlignSettings, align
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.measuring.deviation import measure_deviation
from worker.measuring.regions import Places, choose_regions, core_regions, region_triangles
from worker.measuring.samples import SampleSettings, sample_nominal
from worker.measuring.thickness import NominalThickness, ThicknessSettings, nominal_thickness, piece_thickness
from worker.records import Alignment, Bools, Characteristic, Deviation, Region, Samples, Scan
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

POINT_COUNT = 30_000
SAMPLING = SampleSettings(edges_per_diagonal=45.0)  # edges of 3 mm: samples then lie 1 mm apart, as scan points do
REFINING = AlignSettings(coarse_count=6_000, target_count=20_000, fine_count=30_000)  # scans here have 30 000 points
WALLS = ThicknessSettings(thread_count=1)
COARSE_TURN_RAD, COARSE_SHIFT_SHARE = np.radians(10.0), 0.05  # as far off as a coarse pose may be
FULL_SEARCH_EVERY = 20
MONTE_CARLO_EVERY = 10
MONTE_CARLO_DRAWS = 2_000


@dataclass(frozen=True)
class Row:
    """One characteristic of one inspection.  measured None: why says why; truth None: there is none to compare with."""

    inspection: int
    line: int
    group: str
    truth: float | None
    measured: float | None
    U: float | None
    k: float
    U_monte_carlo: float | None
    why: str | None
    is_length: bool


@dataclass(frozen=True)
class Kit:
    """A part with its errors, the plan that is asked of it, and what is true."""

    part: Callable[[], CoveragePart]
    chances: Chances
    lines: Callable[[CoveragePart], tuple[Line, ...]]
    plan: Callable[[tuple[Line, ...], CoveragePart], Plan]
    truth: type[Truth]


KITS = {
    "features": Kit(coverage_part, CHANCES, coverage_lines, coverage_plan, Truth),
    "decisions": Kit(decision_part, DECISION_CHANCES, decision_lines, decision_plan, DecisionTruth),
}


@dataclass(frozen=True, eq=False)
class Bench:
    """What all inspections of a part share."""

    kit: Kit
    part: CoveragePart
    lines: tuple[Line, ...]
    plan: Plan
    samples: Samples
    surface: SurfaceQuery
    regions: tuple[Region, ...]
    left_out: Bools
    thickness: NominalThickness | None


@lru_cache(maxsize=2)
def bench(name: str = "features") -> Bench:
    """Made once a process; name : a key of ``KITS``."""
    kit = KITS[name]
    part = kit.part()
    lines = kit.lines(part)
    plan = kit.plan(lines, part)
    samples = sample_nominal(part.nominal, settings=SAMPLING)
    (core,) = core_regions(part.nominal, samples, (part.core,))
    surface = SurfaceQuery(part.nominal.vertices_mm, part.nominal.triangles, thread_count=1)
    has_walls = any(line.spec["kind"] == "wall_thickness" for line in lines)
    return Bench(
        kit=kit,
        part=part,
        lines=lines,
        plan=plan,
        samples=samples,
        surface=surface,
        regions=choose_regions(plan, Places(part.nominal, samples, (part.core,), part.detected)),
        left_out=region_triangles(core, samples, len(part.nominal.triangles)),
        thickness=nominal_thickness(samples, surface, WALLS) if has_walls else None,
    )


def inspected(number: int, seed: int, only: str = "", part: str = "features") -> list[Row]:
    """One inspection of a part, all its lines; only : those alone whose kind matches this."""
    shared = bench(part)
    rng = np.random.default_rng([seed, number])
    piece = random_piece(rng, shared.kit.chances)
    scan, pose = scan_of(shared.part, piece, rng, POINT_COUNT)
    coarse = None if number % FULL_SEARCH_EVERY == 0 else nudged(pose, rng, shared.kit.chances)
    measured = measured_piece(shared, scan, coarse, seed)
    lines = tuple((index, line) for index, line in lines_of(shared, number) if re.search(only, line.group))
    plan = shared.plan
    plan = plan.model_copy(update={"characteristics": tuple(plan.characteristics[index] for index, _ in lines)})
    if number % MONTE_CARLO_EVERY == 0:
        method = Uncertainty(method=UncertaintyMethod.MONTE_CARLO, draws=MONTE_CARLO_DRAWS)
        plan = plan.model_copy(update={"uncertainty": method})
    truth = shared.kit.truth(shared.part, piece)
    judged = judge_plan(plan, measured, seed=seed)
    return [_row((number, index), line, found, truth) for (index, line), found in zip(lines, judged, strict=True)]


def lines_of(shared: Bench, number: int) -> tuple[tuple[int, Line], ...]:
    """The lines of one inspection, numbered: one of each kind, taken in turn from one inspection to the next."""
    by_kind: dict[str, list[tuple[int, Line]]] = {}
    for index, line in enumerate(shared.lines):
        by_kind.setdefault(line.group, []).append((index, line))
    return tuple(own[number % len(own)] for own in by_kind.values())


def _row(at: tuple[int, int], line: Line, found: Characteristic, truth: Truth) -> Row:
    own = found.measured, found.U if found.U_gum is None else found.U_gum
    value, U = own if line.told is None or found.measured is None else line.told(found) or (None, None)
    is_measured = value is not None
    return Row(
        inspection=at[0],
        line=at[1],
        group=line.group,
        truth=line.known(truth, found) if is_measured else None,
        measured=value,
        U=U,
        k=found.k or 2.0,
        U_monte_carlo=found.U_monte_carlo if line.told is None else None,
        why=found.reason if not is_measured else None,
        is_length=line.is_length,
    )


def nudged(pose: RigidTransform, rng: np.random.Generator, chances: Chances = CHANCES) -> RigidTransform:
    """A coarse pose: turned by up to 10 degrees and shifted by up to 5 % of the diagonal about the part's middle."""
    axis, way = rng.normal(size=(2, 3))
    middle = np.array(chances.half_mm)
    turn = rng.uniform(0, COARSE_TURN_RAD) * axis / np.linalg.norm(axis)
    shift = rng.uniform(0, COARSE_SHIFT_SHARE) * chances.diagonal_mm * way / np.linalg.norm(way)
    return RigidTransform.about(turn, shift, middle) @ pose


def measured_piece(shared: Bench, scan: Scan, coarse: RigidTransform | None, seed: int) -> Measured:
    """As the worker's pipeline puts it together.  coarse : None searches all poses"""
    nominal = shared.part.nominal
    alignment = align(
        nominal,
        shared.samples,
        scan,
        surface=shared.surface,
        settings=REFINING,
        seed=seed,
        orientation=None if coarse is None else oriented(coarse),
        left_out=shared.left_out,
    )
    return _mapped(shared, scan, alignment)


def _mapped(shared: Bench, scan: Scan, alignment: Alignment) -> Measured:
    nominal, pose = shared.part.nominal, alignment.T_nominal_scan
    measured = Measured(
        nominal=nominal,
        samples=shared.samples,
        alignment=alignment,
        deviation=None,
        thickness=None,
        regions=shared.regions,
        quantum_mm=scan.quantum_mm,
        features=shared.part.detected,
        bodies=shared.part.bodies,
    )
    if pose is None:
        return measured

    def deviate(T_pose: RigidTransform) -> Deviation:
        return measure_deviation(nominal, shared.samples, scan, T_pose @ pose, surface=shared.surface)

    deviation = measure_deviation(nominal, shared.samples, scan, pose, surface=shared.surface)
    measured = replace(measured, deviation=deviation, remeasure=deviate)
    if shared.thickness is None:
        return measured
    thickness = piece_thickness(shared.samples, shared.thickness, deviation, spot_limit_mm=3.0, settings=WALLS)
    return replace(measured, thickness=thickness)

"""How far off is the shift of a core, and does the truth lie in measured +- U?

    .venv/bin/python -m tests.benchmarks.core_shift [--castings 100] [--seed 1]

Simulated castings with three cores, each shifted by up to 0.6 mm and turned by up to 0.3 degrees; 40,000 points with
0.02 to 0.03 mm of noise, in a random pose.  Each is refined from a coarse pose 1.5 degrees and 2 mm off, measured and
judged as the worker does it.  The error is the length of the difference of both shift vectors at the core's middle;
the target is 0.01 mm.  U is judged for the length of the shift, and for each of its six numbers by part axes.
In one casting of seven one core is hardly seen: it must be called not measured.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from shared.plan import Plan
from tests.support.alignments import nudged, oriented
from tests.support.core_casting import CORES, core_casting, on_core, random_casting, scan_of
from worker.aligning.align import AlignSettings, align
from worker.judging.characteristics import judge_plan
from worker.judging.measured import Measured
from worker.measuring.deviation import measure_deviation
from worker.measuring.samples import SampleSettings, sample_nominal
from worker.records import Bools, Characteristic, Floats, Region, Samples, Scan
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

SAMPLING = SampleSettings(edges_per_diagonal=60.0)
REFINING = AlignSettings(coarse_count=6_000, target_count=20_000, fine_count=30_000)
TARGET_MM = 0.01
STATED = 0.95


@dataclass(frozen=True, eq=False)
class Row:
    """One core of one casting.

    is_blind : hardly any of it was scanned;  is_measured : a figure was given
    error_mm : length of the difference of the shift vectors;  length_ratio : error of the length over U
    number_ratios : of its six numbers by part axes, error over U, those not shown left out
    """

    core: str
    is_blind: bool
    is_measured: bool
    shift_mm: float = np.nan
    error_mm: float = np.nan
    U_mm: float = np.nan
    length_ratio: float = np.nan
    number_ratios: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class Bench:
    """What all castings share."""

    samples: Samples
    surface: SurfaceQuery
    regions: tuple[Region, ...]
    left_out: Bools
    plan: Plan


@lru_cache(maxsize=1)
def bench() -> Bench:
    """Made once."""
    nominal = core_casting()
    samples = sample_nominal(nominal, settings=SAMPLING)
    lines = [{"id": name, "kind": "core_displacement", "region": name, "most": 1.0} for name in CORES]
    regions = [{"name": name, "core": name} for name in CORES]
    return Bench(
        samples=samples,
        surface=SurfaceQuery(nominal.vertices_mm, nominal.triangles, thread_count=1),
        regions=tuple(Region(name, "core", on_core(nominal, name, samples.face)) for name in CORES),
        left_out=np.any([on_core(nominal, name, nominal.triangle_face) for name in CORES], axis=0),
        plan=Plan.model_validate({"firstpour_plan": "1", "regions": regions, "characteristics": lines}),
    )


def inspected(number: int, seed: int) -> list[Row]:
    """All cores of one casting."""
    rng = np.random.default_rng([seed, number])
    piece = random_casting(rng)
    scan, pose = scan_of(piece, rng)
    judged = judge_plan(bench().plan, _measured(scan, nudged(pose, rng), seed))
    return [
        _row(name, found, piece.motions[name], is_blind=name == piece.blind)
        for name, found in zip(CORES, judged, strict=True)
    ]


def _measured(scan: Scan, coarse: RigidTransform, seed: int) -> Measured:
    """As the worker's pipeline puts it together."""
    shared, nominal = bench(), core_casting()
    alignment = align(
        nominal,
        shared.samples,
        scan,
        surface=shared.surface,
        settings=REFINING,
        seed=seed,
        orientation=oriented(coarse),
        left_out=shared.left_out,
    )
    measured = Measured(
        nominal=nominal,
        samples=shared.samples,
        alignment=alignment,
        deviation=None,
        thickness=None,
        regions=shared.regions,
        quantum_mm=scan.quantum_mm,
    )
    pose = alignment.T_nominal_scan
    if pose is None:
        return measured
    return replace(measured, deviation=measure_deviation(nominal, shared.samples, scan, pose, surface=shared.surface))


def _row(core: str, found: Characteristic, motion: RigidTransform, *, is_blind: bool) -> Row:
    if found.measured is None or found.U is None or found.point_mm is None:
        return Row(core, is_blind, is_measured=False)
    truth = motion.apply(found.point_mm) - found.point_mm
    turn = np.degrees(_rotation_vector(motion))
    vector = np.array(found.details["displacement_mm"])
    length = float(np.linalg.norm(truth))
    return Row(
        core=core,
        is_blind=is_blind,
        is_measured=True,
        shift_mm=length,
        error_mm=float(np.linalg.norm(vector - truth)),
        U_mm=found.U,
        length_ratio=abs(found.measured - length) / found.U,
        number_ratios=tuple(_ratios(found, truth, turn)),
    )


def _rotation_vector(motion: RigidTransform) -> Floats:
    """(3,) rad; at a third of a degree the skew part is that to a millionth."""
    skew = (motion.rotation - motion.rotation.T) / 2
    return np.array([skew[2, 1], skew[0, 2], skew[1, 0]])


def _ratios(found: Characteristic, shift_mm: Floats, turn_deg: Floats) -> Iterator[float]:
    """Error over U of the numbers that the table gives."""
    for axis, row in enumerate(found.exhibits.tables[0].rows):
        for at, truth in ((1, shift_mm[axis]), (3, turn_deg[axis])):
            value, U = row[at], row[at + 1]
            if isinstance(value, float) and isinstance(U, float):
                yield abs(value - float(truth)) / U


def table(rows: Sequence[Row]) -> Iterator[str]:
    """Lines of the report."""
    yield (
        f"{'core':10s} {'measured':>8s} {'mean error':>11s} {'largest':>9s} {'under 0.01':>11s} {'mean U':>8s} "
        f"{'length in U':>12s} {'numbers':>8s} {'in U':>7s}"
    )
    for core in (*CORES, "all"):
        own = [row for row in rows if row.is_measured and core in (row.core, "all")]
        if own:
            yield _line(core, own)
    blind = [row for row in rows if row.is_blind]
    refused = sum(not row.is_measured for row in blind)
    lost = sum(not row.is_measured and not row.is_blind for row in rows)
    yield f"hardly seen: {len(blind)}, of these not measured: {refused}; seen and yet not measured: {lost}"


def _line(core: str, rows: Sequence[Row]) -> str:
    errors = np.array([row.error_mm for row in rows])
    ratios = np.array([ratio for row in rows for ratio in row.number_ratios])
    return (
        f"{core:10s} {len(rows):8d} {errors.mean():11.4f} {errors.max():9.4f} {np.mean(errors <= TARGET_MM):11.1%} "
        f"{np.mean([row.U_mm for row in rows]):8.4f} {np.mean([row.length_ratio <= 1 for row in rows]):12.1%} "
        f"{len(ratios):8d} {np.mean(ratios <= 1):7.1%}"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Simulate, print."""
    parser = argparse.ArgumentParser(description="Shift of cores.")
    parser.add_argument("--castings", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    begun = time.time()
    rows = [row for number in range(given.castings) for row in inspected(number, given.seed)]
    print(f"{given.castings} castings, seed {given.seed}, {time.time() - begun:.0f} s on one process")
    print(f"targets: error {TARGET_MM} mm, inside U {STATED:.0%}")
    for line in table(rows):
        print(line)


if __name__ == "__main__":
    main()

"""Orientation from any pose: how often right, ambiguous, failed, or silently wrong.

Run ``python -m tests.benchmarks.orientation [--poses 200] [--seed 20] [--parts flange,lever] [--full-size]``;
harder: ``--occluded-every 1 --points 500000 --strays 0.05``.

Poses go round the parts in turn, uniform over all rotations; every third scan lacks 35 % of the visible surface and has
a table, two clamps and stray points in view.  Right means: every corner of the nominal's box within 1 % of
its diagonal and turned by less than 2 degrees.  No part's near symmetry is excused.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace

import numpy as np

from tests.support.parts import PARTS, PIN_HOLE_MM, plain_flange
from tests.support.scanning import ScanRecipe, random_pose, simulate_scan
from worker.aligning.align import align
from worker.aligning.clouds import OrientationCloud, nominal_cloud
from worker.aligning.orient import orient
from worker.measuring.samples import sample_nominal
from worker.records import AlignmentStatus, Floats, Nominal, Orientation, Scan
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

RIGHT_SHARE, RIGHT_DEG = 0.01, 2.0
OUTCOMES = ("right", "ambiguous", "failed", "wrong")


@dataclass(frozen=True)
class Trial:
    """One pose of one part and what came of it."""

    part: str
    is_occluded: bool
    outcome: str
    error_share: float
    error_deg: float
    duration_s: float
    cpu_s: float
    note: str


@dataclass(frozen=True, kw_only=True)
class Load:
    """How hard the scans are: every so manyth is occluded, with so many points and strays among them."""

    occluded_every: int = 3
    point_count: int = 60_000
    stray_share: float = 0.01


def recipe_of(index: int, rng: np.random.Generator, load: Load) -> ScanRecipe:
    """Every third scan is occluded and has a fixture in view; a cylinder head's water jacket is hidden then."""
    is_occluded = (index + 1) % load.occluded_every == 0
    return ScanRecipe(
        point_count=load.point_count,
        stray_share=load.stray_share,
        noise_sigma_mm=float(rng.uniform(0.02, 0.05)),
        missing_share=0.35 if is_occluded else 0.0,
        has_fixture=is_occluded,
        unseen=("jacket",) if is_occluded else (),
    )


def error_of(found: RigidTransform, truth: RigidTransform, part: Nominal) -> tuple[float, float]:
    """Greatest displacement of a corner of the nominal's box, as a share of the diagonal; and the angle, degrees."""
    low, high = part.vertices_mm.min(axis=0), part.vertices_mm.max(axis=0)
    corners: Floats = np.array(
        [[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
    )
    off = found @ truth.inverse()
    moved = np.linalg.norm(off.apply(corners) - corners, axis=1).max()
    return float(moved / np.linalg.norm(high - low)), float(np.degrees(off.angle_rad()))


def outcome_of(result: Orientation, error: tuple[float, float]) -> str:
    """One of ``OUTCOMES``."""
    if result.status is AlignmentStatus.NOT_ALIGNED:
        return "failed"
    if result.status is AlignmentStatus.AMBIGUOUS:
        return "ambiguous"
    return "right" if error[0] < RIGHT_SHARE and error[1] < RIGHT_DEG else "wrong"


def trial(name: str, index: int, seed: int, load: Load) -> Trial:
    """Scan, orient, judge."""
    part = PARTS[name]()
    rng = np.random.default_rng([seed, index])
    pose = random_pose(rng)
    recipe = recipe_of(index, rng, load)
    points, normals = simulate_scan(part, recipe, pose=pose, rng=rng)
    scan = OrientationCloud(points, normals if index % 2 else None)
    start, cpu_start = time.perf_counter(), time.process_time()
    result = orient(nominal_cloud(part), scan)
    duration, cpu = time.perf_counter() - start, time.process_time() - cpu_start
    error = (np.inf, np.inf)
    if result.T_nominal_scan is not None:
        error = error_of(result.T_nominal_scan, pose.inverse(), part)
    note = result.reason or ""
    if name == "flange" and result.rivals:
        gap = np.linalg.norm(result.rivals[0].deciding_point_mm - np.array(PIN_HOLE_MM))
        note += f" [{gap:.1f} mm from the pin hole]"
    outcome = outcome_of(result, error)
    if outcome == "wrong":
        outcome, note = in_the_end(part, scan, result, pose.inverse())
    return Trial(name, recipe.has_fixture, outcome, *error, duration, cpu, note)


def in_the_end(part: Nominal, scan: OrientationCloud, result: Orientation, truth: RigidTransform) -> tuple[str, str]:
    """What the whole alignment makes of a coarse pose that is off: refined after all, refused, or wrong for good."""
    final = align(
        part,
        sample_nominal(part),
        Scan(scan.points_mm, scan.normals, None, "mm", 0.0),
        surface=SurfaceQuery(part.vertices_mm, part.triangles),
        orientation=result,
    )
    if final.T_nominal_scan is None:
        return "failed", f"coarse pose off, refused when refined: {final.reason}"
    error = error_of(final.T_nominal_scan, truth, part)
    is_right = error[0] < RIGHT_SHARE and error[1] < RIGHT_DEG
    return ("right" if is_right else "wrong"), f"coarse pose off, {error[1]:.2f} deg when refined"


def table(trials: list[Trial]) -> None:
    """Print the outcome by part, occluded scans apart."""
    print(
        f"{'part':16}{'scan':10}"
        + "".join(f"{name:>10}" for name in OUTCOMES)
        + "     worst error     median s    max s    max cpu s"
    )
    for part in (*PARTS, ""):
        for is_occluded in (False, True):
            some = [t for t in trials if t.is_occluded == is_occluded and part in (t.part, "")]
            if some:
                print(_row(part or "ALL", "occluded" if is_occluded else "whole", some))


def _row(part: str, scan: str, some: list[Trial]) -> str:
    counts = "".join(f"{sum(t.outcome == name for t in some):10}" for name in OUTCOMES)
    right = [t for t in some if t.outcome == "right"]
    worst = max((t.error_share for t in right), default=np.nan), max((t.error_deg for t in right), default=np.nan)
    times = [t.duration_s for t in some]
    spent = f"{np.median(times):8.2f}{max(times):9.2f} {max(t.cpu_s for t in some):12.2f}"
    return f"{part:16}{scan:10}{counts}   {worst[0]:7.4%} {worst[1]:5.2f}deg {spent}"


def others(seed: int) -> None:
    """What must not be called aligned: a symmetric part, and scans of other parts at the same size."""
    points, _ = simulate_scan(
        plain_flange(), ScanRecipe(), pose=random_pose(np.random.default_rng(seed)), rng=np.random.default_rng(seed)
    )
    result = orient(nominal_cloud(plain_flange()), OrientationCloud(points, None))
    print(f"\nplain flange: {result.status.value}: {result.reason}")
    names = list(PARTS)
    statuses: list[str] = []
    for index, name in enumerate(names):
        other = names[(index + 1 + seed) % len(names)]
        if other != name:
            statuses.append(f"{name} <- {other}: {_scan_of_other(name, other, seed + index).status.value}")
    print("different parts: " + "; ".join(statuses))


def _scan_of_other(name: str, other: str, seed: int) -> Orientation:
    rng = np.random.default_rng(seed)
    nominal, foreign = PARTS[name](), PARTS[other]()
    points, _ = simulate_scan(foreign, ScanRecipe(), pose=random_pose(rng), rng=rng)
    sizes = [float(np.linalg.norm(np.ptp(part.vertices_mm, axis=0))) for part in (nominal, foreign)]
    return orient(nominal_cloud(nominal), OrientationCloud(points * (sizes[0] / sizes[1]), None))


def finely_meshed(part: Nominal, triangle_count: int) -> Nominal:
    """The same surface with at least so many triangles, by splitting all the largest in two."""
    corners = part.vertices_mm[part.triangles]
    while len(corners) < triangle_count:
        area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
        missing = triangle_count - len(corners)
        order = np.argsort(-area, kind="stable")
        split, kept = corners[order[:missing]], corners[order[missing:]]
        edges = np.linalg.norm(split - np.roll(split, -1, axis=1), axis=2)
        turn = (edges.argmax(axis=1)[:, None] + np.arange(3)) % 3
        first, second, third = np.take_along_axis(split, turn[:, :, None], axis=1).transpose(1, 0, 2)
        middle = (first + second) / 2
        halves = [np.stack([first, middle, third], axis=1), np.stack([middle, second, third], axis=1)]
        corners = np.concatenate([kept, *halves])
    triangles = np.arange(3 * len(corners)).reshape(-1, 3)
    owner = np.zeros(len(corners), dtype=np.int64)
    return replace(part, vertices_mm=corners.reshape(-1, 3), triangles=triangles, triangle_face=owner)


def full_size() -> None:
    """Time with a nominal of 700 k triangles and a scan of 500 k points; the surface query is the pipeline's own."""
    print("\nnominal 700 k triangles, scan 500 k points")
    for name in ("head_block", "pump_cover", "flange"):
        for is_occluded in (False, True):
            part = PARTS[name]()
            recipe = ScanRecipe(
                point_count=500_000, missing_share=0.35 * is_occluded, has_fixture=is_occluded, unseen=("jacket",)
            )
            points, _ = simulate_scan(
                part, recipe, pose=random_pose(np.random.default_rng(1)), rng=np.random.default_rng(1)
            )
            nominal = finely_meshed(part, 700_000)
            surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles)
            surface.closest(points[:1])  # the tree of triangles is built on the first question
            start, cpu_start = time.perf_counter(), time.process_time()
            result = orient(nominal_cloud(nominal, surface=surface), OrientationCloud(points, None))
            duration, cpu = time.perf_counter() - start, time.process_time() - cpu_start
            kind = "occluded" if is_occluded else "whole"
            print(f"{name:12}{kind:10}{result.status.value:12}{duration:6.2f} s{cpu:8.2f} cpu s", flush=True)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--poses", type=int, default=200)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--parts", default=",".join(PARTS))
    parser.add_argument("--occluded-every", type=int, default=Load.occluded_every)
    parser.add_argument("--points", type=int, default=Load.point_count)
    parser.add_argument("--strays", type=float, default=Load.stray_share, help="share, in occluded scans")
    parser.add_argument("--full-size", action="store_true", help="only time inputs of full size")
    arguments = parser.parse_args()
    if arguments.full_size:
        full_size()
        return
    names = arguments.parts.split(",")
    load = Load(occluded_every=arguments.occluded_every, point_count=arguments.points, stray_share=arguments.strays)
    trials = []
    for index in range(arguments.poses):
        trials.append(trial(names[index % len(names)], index, arguments.seed, load))
        last = trials[-1]
        if last.outcome != "right":
            print(
                f"{index} {last.part} {last.outcome}: {last.error_share:.2%} {last.error_deg:.2f} deg; {last.note}",
                flush=True,
            )
    print(f"\n{arguments.poses} poses, seed {arguments.seed}")
    table(trials)
    others(arguments.seed)


if __name__ == "__main__":
    main()

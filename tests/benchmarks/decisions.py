"""The decisions before metal is poured, 12 lines of each kind, beside the whole inspection without them.

    nice .venv/bin/python -m tests.benchmarks.decisions [--kinds wall_between,port_area] [--values FILE]

The demonstration head (STEP, sampled to a map of 562,000 triangles) and 500,000 points of its first casting.
The base is reading, aligning, both maps, all features, and a report without these lines.  All runs in one process;
what the first line of a kind makes for others counts as that kind's.  CPU seconds are those of all threads and
reading children: a busy machine changes them less than the clock.  --values writes nominal, measured and U of
every line, and --against prints how far they differ from such a file of another version.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from demo.geometry.head import build_head
from demo.geometry.planted import CASTING
from demo.geometry.scanning import write_cloud
from demo.make_scans import make_casting
from shared.errors import PlanInvalid
from shared.plan import Plan
from shared.plan_reading import parse_plan
from shared.units import LengthUnit
from tests.benchmarks.decisions_plan import lines_by_kind, plan_document
from worker.job_records import BodyFile, InputFile, InspectionJob
from worker.judging.characteristics import judge_line
from worker.judging.measured import Measured
from worker.measuring.regions import core_regions
from worker.pipeline import Course, judged, measure, read_inputs
from worker.reading import Source
from worker.reading.read import read_scan
from worker.records import Characteristic
from worker.reporting.inspected import Inspected
from worker.reporting.write import write_inspection
from worker.threads import core_count
from worker.whatif.run import run_what_if, what_if_sections

DATA = Path(__file__).resolve().parents[2] / "demo" / "data"
SEED = 11
Values = dict[str, list[float | None]]


@dataclass
class Costs:
    """Clock and CPU seconds by name, in order."""

    clock_s: dict[str, float] = field(default_factory=dict)
    cpu_s: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def of(self, name: str) -> Iterator[None]:
        """Count what happens inside, and print it with the peak memory so far."""
        clock, cpu = time.perf_counter(), cpu_now_s()
        yield
        self.clock_s[name], self.cpu_s[name] = time.perf_counter() - clock, cpu_now_s() - cpu
        print(f"{name:<24}{self.clock_s[name]:>10.2f}{self.cpu_s[name]:>10.2f}{peak_mib():>10.0f}", flush=True)

    def total(self, names: Sequence[str]) -> tuple[float, float]:
        """Clock and CPU seconds of some."""
        return sum(self.clock_s[name] for name in names), sum(self.cpu_s[name] for name in names)


BASE = ("read", "align and map", "features", "report without lines")
MOVES = ("what_if", "solve")


def cpu_now_s() -> float:
    """CPU seconds of this process and of its children that ended."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def peak_mib() -> float:
    """Most memory this process has held so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def make_job(folder: Path, point_count: int, scan: Path | None) -> InspectionJob:
    """The demonstration's first casting, its scan thinned; ``scan`` : one made before, instead of making it."""
    whole = scan or folder / "casting.ply"
    if scan is None:
        make_casting(whole, CASTING, build_head(CASTING.faults))
    cloud = read_scan(Source(whole, whole.name, LengthUnit.MILLIMETRE))
    if cloud.normals is None:
        raise SystemExit(f"{whole} has no normals")
    count = min(point_count, len(cloud.points_mm))
    kept = np.sort(np.random.default_rng(SEED).permutation(len(cloud.points_mm))[:count])
    thinned = folder / "scan.ply"
    write_cloud(thinned, cloud.points_mm[kept], cloud.normals[kept])
    bodies = [("core", path) for path in sorted((DATA / "cores").glob("*.step"))]
    bodies += [("part", path) for path in sorted((DATA / "parts").glob("*.step"))]
    return InspectionJob(
        title="benchmark",
        nominal=InputFile(DATA / "head.step", "head.step"),
        scan=InputFile(thinned, thinned.name, LengthUnit.MILLIMETRE),
        bodies=tuple(BodyFile(path.stem, role, InputFile(path, path.name)) for role, path in bodies),
        plan=parse_plan(plan_document(), "decisions"),
        thread_count=core_count(),
    )


def run_base(job: InspectionJob, plan_mm: Plan, folder: Path, costs: Costs) -> tuple[Measured, Inspected]:
    """The whole inspection without the lines."""
    course = Course(lambda *_: None)
    bare = plan_mm.model_copy(update={"characteristics": (), "what_if": (), "solve": ()})
    with costs.of(BASE[0]):
        inputs = read_inputs(job, plan_mm)
    with costs.of(BASE[1]):
        measured = measure(job, plan_mm, inputs, course)
    with costs.of(BASE[2]):
        found = judged(job, bare, inputs, measured, course)
    cores = core_regions(measured.nominal, measured.samples, inputs.bodies)
    with costs.of(BASE[3]):
        write_inspection(replace(found, measured=replace(measured, regions=cores)), folder / "base")
    return measured, found


def judge_kinds(kinds: Sequence[str], plan_mm: Plan, measured: Measured, costs: Costs) -> list[Characteristic]:
    """All lines of some kinds, kind by kind."""
    found: list[Characteristic] = []
    for kind in kinds:
        lines = [line for line in plan_mm.characteristics if line.kind == kind]
        with costs.of(kind):
            found += [one for line in lines if (one := judged_or_refused(line, plan_mm, measured)) is not None]
    return found


def judged_or_refused(line: Any, plan_mm: Plan, measured: Measured) -> Characteristic | None:
    """The line judged; None, and said so, where the part does not have what it asks for."""
    try:
        return judge_line(line, plan_mm, measured)
    except PlanInvalid as error:
        print(f"    {line.id} is refused: {error.message}")
        return None


def try_moves(plan_mm: Plan, measured: Measured, lines: Sequence[Characteristic], costs: Costs) -> None:
    """The what-if and the solve, each by itself."""
    for name, other in (MOVES, MOVES[::-1]):
        only = plan_mm.model_copy(update={other: ()})
        with costs.of(name):
            for section in what_if_sections(run_what_if(only, measured, lines, SEED)):
                for table in section.exhibits.tables:
                    if table.title in {"Result", "Moves made"}:
                        print(f"    {table.rows[0][0]}")


def values_of(lines: Sequence[Characteristic]) -> Values:
    """Nominal, measured and U of each line."""
    return {line.id: [line.nominal, line.measured, line.U] for line in lines}


def print_differences(own: Values, other: Mapping[str, Sequence[float | None]]) -> None:
    """The largest differences from another version's values, and what one of the two did not measure."""
    for column, name in enumerate(("nominal", "measured", "U")):
        apart = {}
        for line in sorted(own.keys() & other.keys()):
            here, there = own[line][column], other[line][column]
            if (here is None) != (there is None):
                print(f"{line}: {name} {there} before, {here} now")
            elif here is not None and there is not None:
                apart[line] = abs(here - there)
        worst = max(apart, key=lambda line: apart[line], default=None)
        if worst is not None:
            print(f"largest difference of {name}: {apart[worst]:.3g} ({worst}), over {len(apart)} lines")


def print_ratio(kinds: Sequence[str], costs: Costs) -> None:
    """What each kind takes, and all of them beside the base."""
    print(f"\n{'kind':<24}{'12 lines':>10}{'a line':>10}{'of base':>10}   CPU seconds")
    _, base_cpu = costs.total(BASE)
    for kind in kinds:
        took = costs.cpu_s[kind]
        print(f"{kind:<24}{took:>10.2f}{took / 12:>10.2f}{took / base_cpu:>10.1%}")
    more = costs.total((*kinds, "report of the lines"))
    clock, cpu = (whole / base for whole, base in zip(more, costs.total(BASE), strict=True))
    print(f"\nall with these lines / base: {1 + cpu:.2f} x by CPU, {1 + clock:.2f} x by the clock")
    if MOVES[0] in costs.cpu_s:
        clock, cpu = (whole / base for whole, base in zip(costs.total(MOVES), costs.total(BASE), strict=True))
        print(f"the what-if and the solve / base: {cpu:.2f} x by CPU, {clock:.2f} x by the clock, beside these")


def main() -> None:
    """Make the scan, run the base, judge kind by kind, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kinds", default=",".join(lines_by_kind()), help="comma-separated; all if left out")
    parser.add_argument("--points", type=int, default=500_000)
    parser.add_argument("--scan", type=Path, help="casting.ply as demo/make_scans.py writes it, to save making it")
    parser.add_argument("--skip-moves", action="store_true", help="neither what-if nor solve")
    parser.add_argument("--values", type=Path, help="JSON file to write every line's values to")
    parser.add_argument("--against", type=Path, help="such a file of another version")
    arguments = parser.parse_args()
    kinds, costs = arguments.kinds.split(","), Costs()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        job = make_job(folder, arguments.points, arguments.scan)
        plan_mm = (job.plan or Plan(firstpour_plan="1")).to_mm()
        print(f"{os.cpu_count()} cores\n{'':<24}{'clock s':>10}{'CPU s':>10}{'peak MiB':>10}")
        measured, bare = run_base(job, plan_mm, folder, costs)
        facets, samples = len(measured.nominal.triangles), measured.samples
        print(f"    CAD of {facets} triangles, map of {len(samples.triangles)}, {len(samples.face)} samples")
        lines = judge_kinds(kinds, plan_mm, measured, costs)
        with costs.of("report with lines"):
            write_inspection(
                replace(bare, plan_mm=plan_mm, has_plan=True, characteristics=tuple(lines)), folder / "all"
            )
        for total in (costs.clock_s, costs.cpu_s):
            total["report of the lines"] = total["report with lines"] - total[BASE[3]]
        if not arguments.skip_moves:
            try_moves(plan_mm, measured, lines, costs)
    print_ratio(kinds, costs)
    if arguments.values:
        arguments.values.write_text(json.dumps(values_of(lines), indent=1))
    if arguments.against:
        print_differences(values_of(lines), json.loads(arguments.against.read_text()))


if __name__ == "__main__":
    main()

"""How long a report takes and how large it gets.  ``python -m tests.benchmarks.reporting``."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from tests.support.report_example import example
from worker.reporting.document import build_report
from worker.reporting.summaries import Summaries
from worker.reporting.write import report_scene, write_report

Result = TypeVar("Result")
STEP_COUNTS = (30, 88, 106)  # 76 thousand, 0.7 and 1.0 million triangles


def timed(name: str, work: Callable[[], Result]) -> Result:
    """Run and print wall and processor seconds."""
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    print(f"  {name:<9} {time.perf_counter() - wall:6.2f} s wall {time.process_time() - cpu:6.2f} s processor")
    return result


def main() -> None:
    """Print one block a size; the first block pays for loading fonts."""
    for step_count in STEP_COUNTS:
        inspected = example(step_count)
        print(f"{len(inspected.measured.samples.triangles):,} triangles")
        summaries = Summaries(inspected)
        report = timed("document", lambda: build_report(inspected, summaries))  # noqa: B023 run at once
        scene = timed("scene", lambda: report_scene(inspected, summaries))  # noqa: B023 run at once
        with tempfile.TemporaryDirectory() as folder:
            paths = timed("files", lambda: write_report(report, scene, Path(folder)))  # noqa: B023 run at once
            print("  " + ", ".join(f"{path.name} {path.stat().st_size:,} bytes" for path in paths))


if __name__ == "__main__":
    main()

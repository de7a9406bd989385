"""The parts of a report that repeatability reads, with nothing of the worker."""

from __future__ import annotations

from typing import Any


def minimal_report(
    *, scan_sha256: str, measured: float, plan_sha256: str = "aa" * 32, nominal_sha256: str = "ee" * 32
) -> dict[str, Any]:
    """One characteristic, ``bore``, of one scan."""
    return {
        "report_version": "1.1",
        "provenance": {
            "firstpour_version": "0",
            "files": [
                {"name": "head.step", "role": "nominal", "sha256": nominal_sha256},
                {"name": "scan.stl", "role": "scan", "sha256": scan_sha256},
            ],
            "plan_sha256": plan_sha256,
        },
        "characteristics": [
            {"id": "bore", "kind": "size", "title": "Bore", "unit": "mm", "measured": measured, "U": 0.01}
        ],
    }

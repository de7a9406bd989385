"""One report made once for the tests that only look at it."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.report import Report
from tests.support.report_example import example
from worker.reporting.document import build_report
from worker.reporting.inspected import Inspected
from worker.reporting.scene import Scene
from worker.reporting.write import report_scene, write_report


@pytest.fixture(scope="session")
def inspected() -> Inspected:
    return example(12)


@pytest.fixture(scope="session")
def report(inspected: Inspected) -> Report:
    return build_report(inspected)


@pytest.fixture(scope="session")
def scene(inspected: Inspected) -> Scene:
    return report_scene(inspected)


@pytest.fixture(scope="session")
def page_path(report: Report, scene: Scene, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(report, scene, tmp_path_factory.mktemp("report"))[1]

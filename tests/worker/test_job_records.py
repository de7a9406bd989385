from __future__ import annotations

from pathlib import Path

import pytest

from shared.plan import Plan
from shared.states import Stage
from shared.units import LengthUnit
from worker.job_records import BodyFile, DetectionJob, InputFile, InspectionJob, job_from_json, job_to_json
from worker.progress import STAGE_SHARES, overall_share


def test_a_job_crosses_to_its_process_unchanged() -> None:
    job = InspectionJob(
        title="Köpf </script>",
        nominal=InputFile(Path("/store/1"), "../../evil name.step"),
        scan=InputFile(Path("/store/2"), "scan.stl", LengthUnit.INCH),
        bodies=(BodyFile("jacket", "core", InputFile(Path("/store/3"), "jacket.stl", LengthUnit.MILLIMETRE)),),
        plan=Plan.model_validate({"firstpour_plan": "1", "regions": [{"name": "bores", "faces": [1, 2]}]}),
        plan_source="firstpour_plan: '1'",
        job_id="insp_1",
        seed=7,
        thread_count=3,
    )
    assert job_from_json(job_to_json(job)) == job


def test_a_detection_crosses_to_its_process_unchanged() -> None:
    job = DetectionJob(title="A", job_id="feat1_1", nominal=InputFile(Path("/store/1"), "head.stl", LengthUnit.INCH))
    assert job_from_json(job_to_json(job)) == job


def test_progress_begins_at_nothing_ends_at_all_and_never_goes_back() -> None:
    steps = [overall_share(stage, share) for stage in Stage for share in (0.0, 0.5, 1.0)]
    assert steps[0] == 0.0
    assert steps[-1] == pytest.approx(1.0)
    assert steps == sorted(steps)
    assert set(STAGE_SHARES) == set(Stage)


@pytest.mark.parametrize(("share", "expected"), [(-1.0, 0.0), (7.0, STAGE_SHARES[Stage.READ])])
def test_a_stage_that_counts_wrong_stays_within_its_bounds(share: float, expected: float) -> None:
    assert overall_share(Stage.READ, share) == expected

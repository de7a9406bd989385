"""Detection of a nominal's features, as a job in a process of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.errors import UnitMissing
from shared.feature_list import FeatureList
from shared.states import Stage
from tests.support.model_files import binary_stl, sphere
from tests.support.step_files import drilled_block, write_step
from worker.child import Done, JobLimits, JobPlace, run_job
from worker.detecting import detect
from worker.features.detect import detect_features
from worker.job_records import FEATURES_JSON, DetectionJob, InputFile
from worker.reading import Source, read_nominal


def quiet(_stage: Stage, _share: float, /) -> None:
    """Nobody looks."""


def test_the_list_holds_what_an_inspection_of_the_same_file_would_find(tmp_path: Path) -> None:
    path = write_step(tmp_path / "block.step", drilled_block())
    for name in ("out", "scratch"):
        (tmp_path / name).mkdir()
    place = JobPlace(out_dir=tmp_path / "out", scratch_dir=tmp_path / "scratch")
    end = run_job(DetectionJob(title="A", nominal=InputFile(path, "block.step")), place, JobLimits(), lambda *_: True)
    assert isinstance(end, Done)
    listed = FeatureList.model_validate_json((tmp_path / "out" / FEATURES_JSON).read_bytes())
    own = detect_features(read_nominal(Source(path, "block.step", None)))
    assert [feature.id for feature in listed.features] == [feature.id for feature in own]
    assert (end.outcome, end.headline) == ("listed", "Features: 1 hole, 6 plane.")


def test_a_mesh_without_its_unit_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "ball.stl"
    path.write_bytes(binary_stl(*sphere(10.0)))
    with pytest.raises(UnitMissing, match=r"ball\.stl"):
        detect(DetectionJob(title="A", nominal=InputFile(path, "ball.stl")), out_dir=tmp_path, progress=quiet)

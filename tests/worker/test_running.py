from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import select, update
from sqlalchemy.exc import OperationalError

from shared.database import Database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.states import InspectionState, SizeClass
from shared.tables import Inspection
from shared.units import LengthUnit
from tests.support import fake_pipeline
from tests.support.inspections import add_detection, add_inspection, add_upload, row_of
from tests.worker.conftest import Clock
from worker.job_records import FEATURES_JSON, REPORT_JSON, InspectionJob
from worker.lease import Finished, Lease, Leases
from worker.running import Fetching, Runner, Surroundings, load_job
from worker.sweeper import Sweeper

STATE_WITHIN_S = 20


@pytest.fixture
def sent() -> list[str]:
    return []


@pytest.fixture
def around(settings: Settings, database: Database, store: FileStore, sent: list[str]) -> Surroundings:
    def send(inspection_id: str, size_class: SizeClass) -> bool:
        sent.append(inspection_id)
        return True

    return Surroundings(
        settings=settings,
        database=database,
        store=store,
        send=send,
        stopping=threading.Event(),
        pipeline=fake_pipeline.NAME,
    )


@pytest.fixture
def helpers() -> Iterator[ThreadPoolExecutor]:
    with ThreadPoolExecutor(4) as pool:
        yield pool


def leftovers(settings: Settings) -> list[Path]:
    return list((settings.files_dir / "aside").iterdir())


def wait_until_running(database: Database, inspection_id: str) -> None:
    end = time.monotonic() + STATE_WITHIN_S
    while row_of(database, inspection_id).stage is None:
        assert time.monotonic() < end
        time.sleep(0.05)


def test_an_inspection_ends_with_its_report_in_the_store(around: Surroundings) -> None:
    inspection_id = add_inspection(around.database, around.store)
    Runner(around).run(inspection_id)
    row = row_of(around.database, inspection_id)
    assert (row.state, row.outcome, row.headline) == (InspectionState.DONE, "conforms", "All conforms.")
    assert row.report_key == f"reports/{inspection_id}/1"
    assert around.store.local_path(f"{row.report_key}/{REPORT_JSON}").is_file()
    assert leftovers(around.settings) == []


def test_the_same_inspection_twice_at_once_runs_once(around: Surroundings, helpers: ThreadPoolExecutor) -> None:
    inspection_id = add_inspection(around.database, around.store)
    list(helpers.map(lambda _: Runner(around).run(inspection_id), range(3)))
    row = row_of(around.database, inspection_id)
    assert (row.state, row.attempts) == (InspectionState.DONE, 1)
    assert [path.name for path in around.store.local_path(f"reports/{inspection_id}").iterdir()] == ["1"]


def test_an_inspection_that_is_done_is_not_run_again(around: Surroundings) -> None:
    inspection_id = add_inspection(around.database, around.store, title="die 9", state=InspectionState.DONE.value)
    Runner(around).run(inspection_id)
    assert row_of(around.database, inspection_id).attempts == 0


def test_an_unknown_inspection_is_nothing_to_do(around: Surroundings, sent: list[str]) -> None:
    Runner(around).run("insp_unknown")
    assert sent == []


@pytest.mark.parametrize(("title", "code"), [("reject", "file_truncated"), ("fault", "internal_error")])
def test_what_would_fail_again_is_not_tried_again(title: str, code: str, around: Surroundings, sent: list[str]) -> None:
    inspection_id = add_inspection(around.database, around.store, title=title)
    Runner(around).run(inspection_id)
    row = row_of(around.database, inspection_id)
    assert (row.state, row.attempts) == (InspectionState.FAILED, 1)
    assert row.error is not None
    assert row.error["code"] == code
    assert sent == []


def test_three_crashes_fail_it_and_the_next_is_fine(around: Surroundings, sent: list[str]) -> None:
    crashing = add_inspection(around.database, around.store, title="die 11")
    sound = add_inspection(around.database, around.store, scan=b"sound")
    runner = Runner(around)
    for _ in range(4):
        runner.run(crashing)
    runner.run(sound)
    row = row_of(around.database, crashing)
    assert (row.state, row.attempts) == (InspectionState.FAILED, 3)
    assert row.error is not None
    assert "SIGSEGV" in row.error["message"]
    assert sent == [crashing, crashing]
    assert row_of(around.database, sound).state == InspectionState.DONE


def test_a_crash_and_then_a_report_is_a_report(around: Surroundings, tmp_path: Path) -> None:
    inspection_id = add_inspection(around.database, around.store, title=f"die_until 1 {tmp_path}")
    Runner(around).run(inspection_id)
    Runner(around).run(inspection_id)
    row = row_of(around.database, inspection_id)
    assert (row.state, row.attempts) == (InspectionState.DONE, 2)
    assert leftovers(around.settings) == []


def test_cancel_stops_a_running_job_within_seconds(around: Surroundings, helpers: ThreadPoolExecutor) -> None:
    inspection_id = add_inspection(around.database, around.store, title="hold")
    run = helpers.submit(Runner(around).run, inspection_id)
    wait_until_running(around.database, inspection_id)
    with around.database.writing() as session:
        session.execute(update(Inspection).values(cancel_requested=True))
    run.result(timeout=10)
    row = row_of(around.database, inspection_id)
    assert (row.state, row.report_key) == (InspectionState.CANCELLED, None)


def test_a_worker_told_to_stop_gives_its_job_back_uncounted(
    around: Surroundings, helpers: ThreadPoolExecutor, sent: list[str]
) -> None:
    inspection_id = add_inspection(around.database, around.store, title="hold")
    run = helpers.submit(Runner(around).run, inspection_id)
    wait_until_running(around.database, inspection_id)
    around.stopping.set()
    run.result(timeout=10)
    row = row_of(around.database, inspection_id)
    assert (row.state, row.attempts, sent) == (InspectionState.QUEUED, 0, [inspection_id])
    Runner(around).run(inspection_id)
    assert row_of(around.database, inspection_id).state == InspectionState.QUEUED


def test_a_worker_whose_lease_was_taken_drops_its_work(
    around: Surroundings, helpers: ThreadPoolExecutor, sent: list[str]
) -> None:
    inspection_id = add_inspection(around.database, around.store, title="hold")
    run = helpers.submit(Runner(around).run, inspection_id)
    wait_until_running(around.database, inspection_id)
    with around.database.writing() as session:
        session.execute(update(Inspection).values(lease_owner="another", attempts=2))
    run.result(timeout=10)
    row = row_of(around.database, inspection_id)
    assert (row.state, row.lease_owner, sent) == (InspectionState.RUNNING, "another", [])


def test_a_report_made_after_the_lease_was_taken_is_not_kept(
    around: Surroundings, monkeypatch: pytest.MonkeyPatch
) -> None:
    inspection_id = add_inspection(around.database, around.store)
    monkeypatch.setattr(Leases, "finish", lambda *_args: False)  # as the database answers then
    Runner(around).run(inspection_id)
    assert list(around.store.local_path(f"reports/{inspection_id}").iterdir()) == []


def test_a_database_away_for_less_than_the_lease_costs_nothing(
    around: Surroundings, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_args: object) -> None:
        raise OperationalError("UPDATE", {}, OSError("away"))

    inspection_id = add_inspection(around.database, around.store, title="slow 2")
    monkeypatch.setattr(Leases, "beat", away)
    Runner(around).run(inspection_id)
    assert row_of(around.database, inspection_id).state == InspectionState.DONE


def test_a_database_away_when_the_report_is_done_is_waited_for(
    around: Surroundings, monkeypatch: pytest.MonkeyPatch
) -> None:
    finish, calls = Leases.finish, []

    def away_at_first(leases: Leases, lease: Lease, result: Finished) -> bool:
        calls.append(result)
        if len(calls) == 1:
            raise OperationalError("UPDATE", {}, OSError("away"))
        return finish(leases, lease, result)

    inspection_id = add_inspection(around.database, around.store)
    monkeypatch.setattr(Leases, "finish", away_at_first)
    Runner(around).run(inspection_id)
    assert (row_of(around.database, inspection_id).state, len(calls)) == (InspectionState.DONE, 2)


def test_a_full_disk_is_tried_again(around: Surroundings, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_args: object) -> Path:
        raise OSError(28, "No space left on device")

    inspection_id = add_inspection(around.database, around.store)
    monkeypatch.setattr(around.store, "publish_folder", full)
    Runner(around).run(inspection_id)
    row = row_of(around.database, inspection_id)
    assert (row.state, row.attempts) == (InspectionState.QUEUED, 1)


def test_no_room_for_the_job_is_tried_again_and_then_told(around: Surroundings) -> None:
    inspection_id = add_inspection(around.database, around.store, title="full")
    for _ in range(3):
        Runner(around).run(inspection_id)
    row = row_of(around.database, inspection_id)
    assert row.error is not None
    assert (row.state, row.attempts, row.error["code"]) == (InspectionState.FAILED, 3, "storage_full")


def test_below_the_floor_of_the_disk_a_job_waits_and_no_attempt_is_counted(around: Surroundings) -> None:
    inspection_id = add_inspection(around.database, around.store)
    without_room = around.settings.model_copy(update={"free_disk_floor_bytes": 1 << 60})
    Runner(replace(around, settings=without_room)).run(inspection_id)
    row = row_of(around.database, inspection_id)
    assert (row.state, row.attempts) == (InspectionState.QUEUED, 0)


def test_whatever_the_message_names_the_job_runs_whose_turn_it_is_and_the_message_is_sent_on(
    around: Surroundings, sent: list[str]
) -> None:
    large = add_inspection(around.database, around.store, size_class="large")
    small = add_inspection(around.database, around.store)
    Runner(around).run(large)
    states = [row_of(around.database, each).state for each in (large, small)]
    assert (states, sent) == ([InspectionState.QUEUED, InspectionState.DONE], [large])
    Runner(around).run(small)  # its own message, late
    assert row_of(around.database, large).state == InspectionState.DONE


def test_a_worker_for_small_jobs_leaves_large_ones_alone(around: Surroundings) -> None:
    large = add_inspection(around.database, around.store, size_class="large")
    small_only = around.settings.model_copy(update={"worker_takes": "small"})
    Runner(replace(around, settings=small_only)).run(large)
    assert row_of(around.database, large).state == InspectionState.QUEUED


def test_a_file_gone_from_the_store_is_told(around: Surroundings, settings: Settings) -> None:
    inspection_id = add_inspection(around.database, around.store)
    for path in (settings.files_dir / "uploads").rglob("*/*"):
        path.unlink()
    Runner(around).run(inspection_id)
    row = row_of(around.database, inspection_id)
    assert row.error is not None
    assert row.error["code"] == "file_gone"


def test_a_job_says_all_that_its_row_says(around: Surroundings, tmp_path: Path) -> None:
    core = add_upload(around.database, around.store, "core.step")
    inspection_id = add_inspection(
        around.database,
        around.store,
        title="Head",
        bodies=[{"name": "jacket", "role": "core", "upload_id": core}],
        plan={"firstpour_plan": "1", "title": "First pour"},
        plan_source="firstpour_plan: '1'",
    )
    job = load_job(around, inspection_id, Fetching(tmp_path, lambda _stage, _share: True))
    assert isinstance(job, InspectionJob)
    assert (job.job_id, job.title, job.plan_source) == (inspection_id, "Head", "firstpour_plan: '1'")
    assert job.plan is not None
    assert job.plan.title == "First pour"
    assert (job.nominal.display_name, job.nominal.stated_unit) == ("nominal.stl", LengthUnit.MILLIMETRE)
    assert (job.scan.display_name, job.scan.stated_unit) == ("scan.stl", LengthUnit.INCH)
    assert [(body.name, body.role, body.file.display_name) for body in job.bodies] == [("jacket", "core", "core.step")]
    assert job.scan.path.read_bytes() == b"solid"


def test_a_detection_ends_with_its_list_in_the_store_and_is_no_inspection(around: Surroundings) -> None:
    detection_id = add_detection(around.database, around.store)
    Runner(around).run(detection_id)
    row = row_of(around.database, detection_id)
    assert (row.state, row.attempts) == (InspectionState.DONE, 1)
    assert around.store.local_path(f"{row.report_key}/{FEATURES_JSON}").is_file()
    with around.database.reading() as session:
        assert session.scalars(select(Inspection)).all() == []


def test_a_detection_that_crashes_is_tried_like_an_inspection_and_then_failed(around: Surroundings) -> None:
    detection_id = add_detection(around.database, around.store, title="die 11")
    for _ in range(4):
        Runner(around).run(detection_id)
    row = row_of(around.database, detection_id)
    assert (row.state, row.attempts) == (InspectionState.FAILED, 3)
    assert row.error is not None
    assert row.error["code"] == "worker_died"


def test_a_detection_whose_worker_vanished_is_sent_again_and_finished(
    around: Surroundings, settings: Settings, sent: list[str], clock: Clock
) -> None:
    detection_id = add_detection(around.database, around.store, created_at=clock(), sent_at=clock())
    assert Leases(around.database, settings, clock).claim(detection_id) is not None
    clock.pass_s(settings.lease_s + 1)
    Sweeper(around.database, settings, around.send, clock).sweep()
    assert sent == [detection_id]
    Runner(around).run(detection_id)  # by the real clock the lease ran out long ago
    row = row_of(around.database, detection_id)
    assert (row.state, row.attempts) == (InspectionState.DONE, 2)

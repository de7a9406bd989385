from __future__ import annotations

from celery import Celery

from worker.tasks import add_task


def test_a_task_has_its_own_name_and_is_acknowledged_when_it_ends() -> None:
    app = Celery("test", set_as_current=False)
    seen: list[str] = []

    def note(inspection_id: str) -> None:
        seen.append(inspection_id)

    add_task(app, note, name="firstpour.test")
    task = app.tasks["firstpour.test"]
    assert (task.acks_late, task.reject_on_worker_lost, task.ignore_result) == (True, True, True)
    task("insp_1")
    assert seen == ["insp_1"]
    assert "firstpour.test" not in Celery("another", set_as_current=False).tasks

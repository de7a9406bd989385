"""Every error leaves through one renderer, with a status, a code and advice."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from api.problems import INTERNAL, MEDIA_TYPE, STATUS, declared, problem_of
from shared.errors import Conflict, FirstpourError, NotFound, PlanInvalid, RequestInvalid
from tests.support.service import Service


def all_kinds(kind: type[FirstpourError] = FirstpourError) -> Iterator[type[FirstpourError]]:
    yield kind
    for narrower in kind.__subclasses__():
        yield from all_kinds(narrower)


def test_every_code_has_a_status() -> None:
    assert {kind.code for kind in all_kinds()} - STATUS.keys() == set()


def test_no_status_is_kept_for_a_code_that_is_gone() -> None:
    assert STATUS.keys() - {kind.code for kind in all_kinds()} == {INTERNAL}


def test_no_two_kinds_share_a_code() -> None:
    codes = [kind.code for kind in all_kinds()]
    assert len(codes) == len(set(codes))


def test_a_problem_says_what_is_wrong_and_what_to_do() -> None:
    problem = problem_of(NotFound("There is no part p.", advice="List them.", id="p"), "7f")
    assert problem.model_dump() == {
        "type": "urn:firstpour:problem:not_found",
        "title": "Not found",
        "status": 404,
        "detail": "There is no part p.",
        "code": "not_found",
        "advice": "List them.",
        "data": {"id": "p"},
        "instance": "urn:firstpour:request:7f",
    }


def test_errors_of_one_status_are_declared_together() -> None:
    found = declared(PlanInvalid, RequestInvalid, Conflict)
    assert set(found) == {409, 422}
    assert set(found[422]["content"][MEDIA_TYPE]["examples"]) == {"plan_invalid", "request_invalid"}


def test_faults_of_the_request_come_through_the_same_renderer(service: Service) -> None:
    answer = service.client.post("/v1/parts", json={"nam": "x"})
    assert (answer.status_code, answer.headers["content-type"]) == (422, MEDIA_TYPE)
    assert answer.json()["data"]["faults"] == ["body.name: Field required", "body.nam: Extra inputs are not permitted"]


@pytest.mark.parametrize(
    ("method", "path", "status", "code"),
    [
        ("GET", "/v1/nothing", 404, "not_found"),
        ("DELETE", "/v1/parts", 405, "method_not_allowed"),
        ("GET", "/static/../app.py", 404, "not_found"),
        ("GET", "/static/nothing.css", 404, "not_found"),
    ],
)
def test_refusals_of_the_framework_do_too(service: Service, method: str, path: str, status: int, code: str) -> None:
    answer = service.client.request(method, path)
    assert (answer.status_code, answer.headers["content-type"], answer.json()["code"]) == (status, MEDIA_TYPE, code)


def test_broken_json_is_told_as_such(service: Service) -> None:
    answer = service.client.post("/v1/parts", content="{", headers={"Content-Type": "application/json"})
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")


def test_a_fault_of_ours_tells_the_request_id_and_nothing_else(service: Service) -> None:
    def fail() -> None:
        raise ZeroDivisionError("secret")

    service.app.add_api_route("/v1/fail", fail)
    answer = service.client.get("/v1/fail")
    assert (answer.status_code, answer.json()["code"]) == (500, INTERNAL)
    assert answer.json()["instance"] == f"urn:firstpour:request:{answer.headers['x-request-id']}"
    assert "secret" not in answer.text


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("*/*", MEDIA_TYPE),
        ("application/json", MEDIA_TYPE),
        ("text/html,application/xhtml+xml,*/*;q=0.8", "text/html; charset=utf-8"),
        ("text/html;q=0.5, application/json", MEDIA_TYPE),
        ("text/html;q=x", MEDIA_TYPE),
    ],
)
def test_a_browser_gets_a_page_and_a_program_json(service: Service, accept: str, kind: str) -> None:
    answer = service.client.get("/v1/parts/<script>", headers={"Accept": accept})
    assert answer.headers["content-type"] == kind
    assert "<script>" not in answer.text or kind == MEDIA_TYPE

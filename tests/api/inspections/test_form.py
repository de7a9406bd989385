"""One form, one curl line, one inspection."""

from __future__ import annotations

import os
from typing import Any

import pytest

from shared.tables import Inspection
from tests.support.service import STEP, STL, Service

FORM = "/v1/inspections/form"
PLAN = b"firstpour_plan: '1'\nunit: inch\n"
CUT_SHORT = b'--b\r\nContent-Disposition: form-data; name="scan"; filename="s.stl"\r\n\r\nsolid'
Files = list[tuple[str, tuple[str, bytes]]]


def files(*more: tuple[str, tuple[str, bytes]]) -> Files:
    return [("nominal", ("head.step", STEP)), ("scan", ("scan.stl", STL)), *more]


def send(service: Service, sent: Files, **data: str) -> Any:
    return service.client.post(FORM, files=sent, data=data)


def row_of(service: Service, inspection_id: str) -> Inspection:
    with service.resources.database.reading() as session:
        return session.get_one(Inspection, inspection_id)


def raw(body: bytes) -> dict[str, Any]:
    return {"content": body, "headers": {"Content-Type": "multipart/form-data; boundary=b"}}


def test_a_form_orders_an_inspection(service: Service) -> None:
    answer = send(service, files(), unit="mm", title="First casting")
    ordered = answer.json()
    assert (answer.status_code, answer.headers["location"]) == (202, ordered["links"]["self"])
    assert (ordered["title"], ordered["nominal_unit"], ordered["scan_unit"]) == ("First casting", None, "mm")
    assert service.sender.sent == [ordered["id"]]


def test_what_was_sent_is_what_is_stored(service: Service) -> None:
    content = os.urandom(40_000).replace(b"\r\n--", b"....")
    scan = send(service, [("scan", ("s.stl", content)), ("nominal", ("n.step", STEP))], unit="mm").json()["scan"]
    assert service.client.get(scan["links"]["content"]).content == content


@pytest.mark.parametrize(
    ("data", "nominal_unit", "scan_unit"),
    [
        ({"unit": "inch"}, "inch", "inch"),
        ({"unit": "mm", "nominal_unit": "inch"}, "inch", "mm"),
        ({"nominal_unit": "m", "scan_unit": "mm"}, "m", "mm"),
    ],
)
def test_units_may_differ(service: Service, data: dict[str, str], nominal_unit: str, scan_unit: str) -> None:
    sent = [("nominal", ("n.stl", STL)), ("scan", ("s.stl", STL))]
    ordered = send(service, sent, **data).json()
    assert (ordered["nominal_unit"], ordered["scan_unit"]) == (nominal_unit, scan_unit)


@pytest.mark.parametrize("way", ["file", "text"])
def test_a_plan_may_be_a_file_or_text(service: Service, way: str) -> None:
    more = [("plan", ("plan.yaml", PLAN))] if way == "file" else []
    data = {"plan": PLAN.decode()} if way == "text" else {}
    row = row_of(service, send(service, files(*more), unit="mm", **data).json()["id"])
    assert row.plan is not None
    assert (row.plan["unit"], row.plan_source) == ("inch", PLAN.decode())


def test_cores_are_named_by_file_or_field(service: Service) -> None:
    more = [("core", ("intake_1.step", STEP)), ("core.jacket", ("x.stl", STL)), ("part.lid", ("y.stl", STL))]
    row = row_of(service, send(service, files(*more), unit="mm").json()["id"])
    assert [(body["name"], body["role"]) for body in row.bodies] == [
        ("intake_1", "core"),
        ("jacket", "core"),
        ("lid", "part"),
    ]


def test_inputs_nobody_used_are_passed_over(service: Service) -> None:
    body = b"".join(
        b'--b\r\nContent-Disposition: form-data; name="%s"; filename="%s"\r\n\r\n%s\r\n' % part
        for part in ((b"nominal", b"n.step", STEP), (b"scan", b"s.stl", STL), (b"plan", b"", b""), (b"core", b"", b""))
    )
    unit = b'--b\r\nContent-Disposition: form-data; name="unit"\r\n\r\nmm\r\n--b--\r\n'
    assert service.client.post(FORM, **raw(body + unit)).status_code == 202


def test_a_browser_is_sent_to_the_page_of_the_inspection(service: Service) -> None:
    answer = service.client.post(
        FORM, files=files(), data={"unit": "mm"}, headers={"Accept": "text/html"}, follow_redirects=False
    )
    assert answer.status_code == 303
    assert service.client.get(answer.headers["location"]).status_code == 200


@pytest.mark.parametrize(
    ("sent", "data", "refusal", "words"),
    [
        (files()[:1], {"unit": "mm"}, (422, "request_invalid"), "exactly one file named scan; it has 0"),
        (files(("scan", ("b.stl", STL))), {"unit": "mm"}, (422, "request_invalid"), "it has 2"),
        (files(), {}, (422, "unit_missing"), "scan.stl carries no unit"),
        (files(), {"unit": "file"}, (422, "unit_missing"), "scan.stl carries no unit"),
        (files(), {"unit": "mile"}, (422, "request_invalid"), "unit: Input should be"),
        (files(), {"unit": "mm", "nominl": "x"}, (422, "request_invalid"), "nominl"),
        (files(("cover", ("b.stl", STL))), {"unit": "mm"}, (422, "request_invalid"), "cover"),
        (files(("plan", ("p.yaml", b"unit: mile"))), {"unit": "mm"}, (422, "plan_invalid"), "line 1, unit"),
        (files(("plan", ("p.yaml", b"\xff\xfe"))), {"unit": "mm"}, (422, "request_invalid"), "not UTF-8"),
        (files(("plan", ("p.yaml", PLAN)), ("plan", ("q.yaml", PLAN))), {}, (422, "request_invalid"), "given twice"),
        (files(("core", ("a.stl", b""))), {"unit": "mm"}, (422, "file_empty"), "a.stl has no content"),
        (files(("core", ("a.stl", b"x" * 70_000))), {"unit": "mm"}, (413, "file_too_large"), "a.stl is larger"),
        (
            files(("core", ("a.stl", STL)), ("core", ("a.stl", STL))),
            {"unit": "mm"},
            (422, "request_invalid"),
            "twice: a",
        ),
        ([("core", ("a.stl", STL))] * 101, {}, (422, "request_invalid"), "more than 100 parts"),
    ],
)
def test_a_wrong_form_is_refused_and_leaves_nothing(
    service: Service, sent: Files, data: dict[str, str], refusal: tuple[int, str], words: str
) -> None:
    answer = send(service, sent, **data)
    assert (answer.status_code, answer.json()["code"]) == refusal
    assert words in answer.json()["detail"]
    assert service.stored_files() == []
    assert service.sender.sent == []


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        (
            b'--b\r\nContent-Disposition: form-data; name="scan"; filename="s.stl"\r\n\r\nsolid',
            400,
            "upload_incomplete",
        ),
        (b"", 400, "upload_incomplete"),
        (b"no boundary at all", 422, "request_invalid"),
        (b"--b\r\nContent-Disposition: form-data\r\n\r\nx\r\n--b--\r\n", 422, "request_invalid"),
        (b"--b\r\nX: " + b"y" * 100_000 + b"\r\n\r\n", 422, "request_invalid"),
    ],
)
def test_a_broken_form_is_refused_and_leaves_nothing(service: Service, body: bytes, status: int, code: str) -> None:
    answer = service.client.post(FORM, **raw(body))
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert service.stored_files() == []


def test_json_is_told_where_to_go(service: Service) -> None:
    answer = service.client.post(FORM, json={})
    assert (answer.status_code, answer.json()["code"]) == (415, "media_type_unsupported")


def test_a_repeated_form_orders_once_and_keeps_its_files_once(service: Service) -> None:
    answers = [
        service.client.post(FORM, files=files(), data={"unit": "mm"}, headers={"Idempotency-Key": "k"}) for _ in "12"
    ]
    assert answers[0].json() == answers[1].json()
    assert len(service.stored_files()) == 2
    assert len(service.sender.sent) == 1


def test_another_form_under_the_same_key_is_refused(service: Service) -> None:
    headers = {"Idempotency-Key": "k"}
    service.client.post(FORM, files=files(), data={"unit": "mm"}, headers=headers)
    answer = service.client.post(FORM, files=files(), data={"unit": "inch"}, headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (422, "idempotency_key_reused")
    assert len(service.stored_files()) == 2

"""A raw body becomes a file, whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import pytest

from tests.support.service import STEP, Service

MORE_THAN_THE_LIMIT = 64 * 1024 + 1


def pieces(size_bytes: int) -> Iterator[bytes]:
    for _ in range(size_bytes // 1024):
        yield b"x" * 1024
    yield b"x" * (size_bytes % 1024)


def test_an_upload_tells_its_size_and_hash(service: Service) -> None:
    upload = service.upload("head.step")
    assert (upload["size_bytes"], upload["sha256"]) == (len(STEP), hashlib.sha256(STEP).hexdigest())
    assert service.client.get(upload["links"]["self"]).json() == upload


def test_content_comes_back_as_an_attachment_nobody_may_sniff(service: Service) -> None:
    answer = service.client.get(service.upload("<b>.step")["links"]["content"])
    assert answer.content == STEP
    assert answer.headers["content-disposition"].startswith("attachment;")
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_part_of_the_content_can_be_asked_for(service: Service) -> None:
    answer = service.client.get(service.upload()["links"]["content"], headers={"Range": "bytes=4-8"})
    assert (answer.status_code, answer.content) == (206, STEP[4:9])


@pytest.mark.parametrize("is_announced", [True, False])
def test_more_than_the_limit_is_refused_and_leaves_nothing(service: Service, is_announced: bool) -> None:
    content = b"x" * MORE_THAN_THE_LIMIT if is_announced else pieces(MORE_THAN_THE_LIMIT)
    answer = service.client.post("/v1/uploads?name=big.stl", content=content)
    assert (answer.status_code, answer.json()["code"]) == (413, "file_too_large")
    assert service.stored_files() == []


def test_a_chunked_body_at_the_limit_is_taken(service: Service) -> None:
    assert service.client.post("/v1/uploads?name=a.stl", content=pieces(64 * 1024)).json()["size_bytes"] == 64 * 1024


def test_an_empty_body_is_refused(service: Service) -> None:
    answer = service.client.post("/v1/uploads?name=a.stl")
    assert (answer.status_code, answer.json()["code"], answer.json()["data"]) == (422, "file_empty", {"file": "a.stl"})


def test_a_form_is_refused_with_the_way_to_send_it(service: Service) -> None:
    answer = service.client.post("/v1/uploads", files={"file": ("a.stl", b"x")})
    assert (answer.status_code, answer.json()["code"]) == (415, "media_type_unsupported")
    assert "/v1/inspections/form" in answer.json()["advice"]


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("../../evil name.stl", "evil name.stl"),
        ("C:\\scans\\head.stl", "head.stl"),
        ("a\x00b\r\nc.stl", "abc.stl"),
        ("Zylinderkopf-\u00dc.stl", "Zylinderkopf-\u00dc.stl"),
        ("U\u0308.stl", "\u00dc.stl"),
        ("\u202egpj.stl", "gpj.stl"),
        ("..", ".."),
        ("/", "unnamed"),
        ("x" * 500 + ".stl", "x" * 196 + ".stl"),
    ],
)
def test_a_name_is_text_to_show_and_never_a_path(service: Service, given: str, shown: str) -> None:
    assert service.upload(given)["file_name"] == shown
    assert all(path.is_relative_to(service.folder) and len(path.name) == 32 for path in service.stored_files())


@pytest.mark.parametrize(
    "header",
    ['attachment; filename="head.step"', "attachment; filename*=UTF-8''head.step", "attachment; filename=head.step"],
)
def test_the_name_may_come_in_content_disposition(service: Service, header: str) -> None:
    answer = service.client.post("/v1/uploads", content=STEP, headers={"Content-Disposition": header})
    assert answer.json()["file_name"] == "head.step"


def test_an_unknown_upload_is_not_found(service: Service) -> None:
    answer = service.client.get("/v1/uploads/up_0/content")
    assert (answer.status_code, answer.json()["code"]) == (404, "not_found")


def test_a_repeated_key_keeps_one_file(service: Service) -> None:
    answers = [
        service.client.post("/v1/uploads?name=a.stl", content=STEP, headers={"Idempotency-Key": "k"}) for _ in "12"
    ]
    assert answers[0].json() == answers[1].json()
    assert len(service.stored_files()) == 1

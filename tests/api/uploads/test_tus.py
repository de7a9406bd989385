"""Resumable uploads, by the words of tus 1.0 (https://tus.io/protocols/resumable-upload)."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import AsyncIterator, Iterator
from datetime import timedelta
from typing import Any

import httpx
import pytest
from starlette.requests import ClientDisconnect

from api.resources import LOCAL
from api.uploads import resumable
from api.uploads.resumable import Piece, append, create_partial, get_partial
from shared.tables import PartialUpload, utc_now
from tests.support.service import Service

TUS = {"Tus-Resumable": "1.0.0"}
PATCH = {**TUS, "Content-Type": "application/offset+octet-stream"}
DATA = bytes(range(256)) * 40


def encoded(text: str) -> str:
    return base64.b64encode(text.encode()).decode()


def begin(service: Service, size_bytes: int = len(DATA), **metadata: str) -> httpx.Response:
    header = ",".join(f"{key} {encoded(value)}" for key, value in {"filename": "scan.stl", **metadata}.items())
    headers = {**TUS, "Upload-Length": str(size_bytes), "Upload-Metadata": header}
    return service.client.post("/v1/uploads/tus", headers=headers)


def patch(service: Service, address: str, offset: int, content: Any, **headers: str) -> httpx.Response:
    return service.client.patch(address, content=content, headers={**PATCH, "Upload-Offset": str(offset), **headers})


def offset_of(service: Service, address: str) -> int:
    return int(service.client.head(address, headers=TUS).headers["upload-offset"])


def as_pieces(data: bytes) -> Iterator[bytes]:
    yield from (data[start : start + 1000] for start in range(0, len(data), 1000))


def test_options_tell_what_is_spoken(service: Service) -> None:
    answer = service.client.options("/v1/uploads/tus")
    assert answer.status_code == 204
    assert answer.headers["tus-version"] == "1.0.0"
    assert answer.headers["tus-extension"] == "creation,expiration,checksum,termination"
    assert answer.headers["tus-max-size"] == "65536"


def test_an_upload_in_two_pieces_is_whole(service: Service) -> None:
    address = begin(service).headers["location"]
    first = patch(service, address, 0, DATA[:3000])
    assert (first.status_code, first.headers["upload-offset"]) == (204, "3000")
    assert "firstpour-upload-id" not in first.headers
    last = patch(service, address, 3000, as_pieces(DATA[3000:]))
    upload = service.client.get(f"/v1/uploads/{last.headers['firstpour-upload-id']}").json()
    assert (upload["file_name"], upload["sha256"]) == ("scan.stl", hashlib.sha256(DATA).hexdigest())
    assert service.client.get(upload["links"]["content"]).content == DATA


def test_head_tells_offset_length_and_may_not_be_cached(service: Service) -> None:
    headers = service.client.head(begin(service).headers["location"], headers=TUS).headers
    assert (headers["upload-offset"], headers["upload-length"]) == ("0", str(len(DATA)))
    assert headers["cache-control"] == "no-store"
    assert headers["upload-expires"].endswith("GMT")


@pytest.mark.parametrize("offset", [0, 4000])
def test_a_wrong_offset_is_refused(service: Service, offset: int) -> None:
    address = begin(service).headers["location"]
    patch(service, address, 0, DATA[:3000])
    answer = patch(service, address, offset, DATA[offset:])
    assert (answer.status_code, answer.json()["data"]) == (409, {"offset_bytes": 3000})
    assert offset_of(service, address) == 3000


def test_more_than_announced_is_refused_and_what_came_before_is_kept(service: Service) -> None:
    address = begin(service).headers["location"]
    patch(service, address, 0, DATA[:3000])
    answer = patch(service, address, 3000, DATA)
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")
    end = patch(service, address, offset_of(service, address), DATA[offset_of(service, address) :])
    upload_id = end.headers["firstpour-upload-id"]
    assert service.client.get(f"/v1/uploads/{upload_id}/content").content == DATA


@pytest.mark.parametrize(
    ("size_bytes", "status", "code"),
    [(0, 422, "file_empty"), (65_537, 413, "file_too_large"), (-1, 422, "request_invalid")],
)
def test_a_wrong_length_is_refused_at_once(service: Service, size_bytes: int, status: int, code: str) -> None:
    answer = begin(service, size_bytes)
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert service.stored_files() == []


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Tus-Resumable": "0.2.2"}, 412),
        ({"Content-Type": "application/octet-stream"}, 415),
        ({"Upload-Offset": "-1"}, 422),
        ({"Upload-Offset": "x"}, 422),
        ({"Upload-Checksum": "md5 AAAA"}, 422),
        ({"Upload-Checksum": "sha1 !"}, 422),
    ],
)
def test_a_wrong_header_writes_nothing(service: Service, headers: dict[str, str], status: int) -> None:
    address = begin(service).headers["location"]
    sent = {**PATCH, "Upload-Offset": "0", **headers}
    assert service.client.patch(address, content=DATA, headers=sent).status_code == status
    assert offset_of(service, address) == 0


def test_a_name_in_the_metadata_is_never_a_path(service: Service) -> None:
    address = begin(service, filename="../../../etc/cron.d/x.stl").headers["location"]
    upload_id = patch(service, address, 0, DATA).headers["firstpour-upload-id"]
    assert service.client.get(f"/v1/uploads/{upload_id}").json()["file_name"] == "x.stl"
    assert all(path.is_relative_to(service.folder / "files") for path in service.stored_files())


@pytest.mark.parametrize("header", ["filename !!!", "filename AAA"])
def test_metadata_that_is_not_base64_is_refused(service: Service, header: str) -> None:
    headers = {**TUS, "Upload-Length": "9", "Upload-Metadata": header}
    assert service.client.post("/v1/uploads/tus", headers=headers).status_code == 422


@pytest.mark.parametrize("algorithm", ["sha1", "sha256"])
def test_a_piece_with_a_wrong_checksum_is_cut_off_again(service: Service, algorithm: str) -> None:
    address = begin(service).headers["location"]
    right = base64.b64encode(hashlib.new(algorithm, DATA[:3000]).digest()).decode()
    bad = patch(service, address, 0, DATA[1:3001], **{"Upload-Checksum": f"{algorithm} {right}"})
    assert (bad.status_code, bad.json()["code"]) == (460, "checksum_mismatch")
    assert offset_of(service, address) == 0
    good = patch(service, address, 0, DATA[:3000], **{"Upload-Checksum": f"{algorithm} {right}"})
    assert good.headers["upload-offset"] == "3000"


def test_a_whole_file_with_another_hash_than_announced_is_dropped(service: Service) -> None:
    address = begin(service, sha256="0" * 64).headers["location"]
    answer = patch(service, address, 0, DATA)
    assert (answer.status_code, answer.json()["code"]) == (460, "checksum_mismatch")
    assert service.client.head(address, headers=TUS).status_code == 404
    assert service.stored_files() == []


def test_a_whole_file_with_the_announced_hash_is_kept(service: Service) -> None:
    address = begin(service, sha256=hashlib.sha256(DATA).hexdigest().upper()).headers["location"]
    assert "firstpour-upload-id" in patch(service, address, 0, DATA).headers


def test_a_strange_hash_is_refused_at_the_start(service: Service) -> None:
    assert begin(service, sha256="f00").status_code == 422


def test_a_given_up_upload_leaves_nothing(service: Service) -> None:
    address = begin(service).headers["location"]
    patch(service, address, 0, DATA[:3000])
    assert service.client.delete(address, headers=TUS).status_code == 204
    assert service.client.head(address, headers=TUS).status_code == 404
    assert service.stored_files() == []


def test_giving_up_a_finished_upload_keeps_its_file(service: Service) -> None:
    address = begin(service).headers["location"]
    upload_id = patch(service, address, 0, DATA).headers["firstpour-upload-id"]
    assert service.client.delete(address, headers=TUS).status_code == 204
    assert service.client.get(f"/v1/uploads/{upload_id}/content").content == DATA


def test_an_upload_left_too_long_is_gone(service: Service) -> None:
    address = begin(service).headers["location"]
    with service.resources.database.writing() as session:
        session.get_one(PartialUpload, address.rpartition("/")[2]).expires_at = utc_now() - timedelta(seconds=1)
    assert service.client.head(address, headers=TUS).status_code == 410
    assert resumable.drop_expired(service.resources) == 1
    assert service.stored_files() == []


def test_a_finished_upload_tells_its_id_as_long_as_its_row_is_kept(service: Service) -> None:
    address = begin(service).headers["location"]
    upload_id = patch(service, address, 0, DATA).headers["firstpour-upload-id"]
    assert service.client.head(address, headers=TUS).headers["firstpour-upload-id"] == upload_id
    again = patch(service, address, len(DATA), b"")
    assert again.headers["firstpour-upload-id"] == upload_id


async def broken(data: bytes) -> AsyncIterator[bytes]:
    yield data
    raise ClientDisconnect


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.mark.anyio
async def test_what_came_before_the_line_broke_is_kept(service: Service) -> None:
    row = create_partial(service.resources, LOCAL, len(DATA), {"filename": "a.stl"})
    with pytest.raises(ClientDisconnect):
        await append(service.resources, LOCAL, row, Piece(0, broken(DATA[:3000])))
    assert get_partial(service.resources, LOCAL, row.id).offset_bytes == 3000


@pytest.mark.anyio
async def test_another_writer_at_the_same_time_is_told_to_wait(service: Service) -> None:
    row = create_partial(service.resources, LOCAL, len(DATA), {"filename": "a.stl"})
    headers = {**PATCH, "Upload-Offset": "0"}
    with service.resources.store.append_to_partial(row.storage_key, 0):
        answer = service.client.patch(f"/v1/uploads/tus/{row.id}", content=DATA, headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (423, "upload_busy")


def test_bytes_a_crash_left_behind_the_known_offset_are_cut_off(service: Service) -> None:
    address = begin(service).headers["location"]
    patch(service, address, 0, DATA[:3000])
    (path,) = service.stored_files()
    with path.open("ab") as file:
        file.write(b"written, but the server died before it could note it")
    upload_id = patch(service, address, 3000, DATA[3000:]).headers["firstpour-upload-id"]
    assert service.client.get(f"/v1/uploads/{upload_id}/content").content == DATA


def test_a_crash_between_rename_and_row_is_mended_by_the_next_request(service: Service) -> None:
    address = begin(service).headers["location"]
    patch(service, address, 0, DATA[:-1])
    partial_id = address.rpartition("/")[2]
    row = get_partial(service.resources, LOCAL, partial_id)
    with service.resources.store.append_to_partial(row.storage_key, len(DATA) - 1) as writer:
        writer.write(DATA[-1:])
        resumable._save_offset(service.resources, partial_id, writer.sync())
    service.resources.store.finish_partial(row.storage_key)  # and here the server died
    answer = patch(service, address, len(DATA), b"")
    upload_id = answer.headers["firstpour-upload-id"]
    assert service.client.get(f"/v1/uploads/{upload_id}/content").content == DATA

"""The tus client ``tuspy`` against a real server, with the line and the server breaking."""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import httpx
import pytest
from tusclient.client import TusClient
from tusclient.exceptions import TusCommunicationError
from tusclient.uploader import Uploader

from tests.support.live import live_service
from tests.support.process import api_process

CHUNK_BYTES = 100_000
FILE_BYTES = 1_000_001


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    path = tmp_path / "scan.stl"
    path.write_bytes(hashlib.shake_128(b"scan").digest(FILE_BYTES))
    return path


def uploader(server: str, scan: Path, **options: Any) -> Any:
    stream = BytesIO(scan.read_bytes())  # given a path, the client leaves it open
    client = TusClient(f"{server}/v1/uploads/tus")
    return Uploader(
        file_stream=stream, client=client, chunk_size=CHUNK_BYTES, metadata={"filename": scan.name}, **options
    )


def stored_hash(url: str, address: str) -> str:
    upload_id = httpx.head(address, headers={"Tus-Resumable": "1.0.0"}).headers["firstpour-upload-id"]
    content = httpx.get(f"{url}/v1/uploads/{upload_id}/content").content
    return hashlib.sha256(content).hexdigest()


def hash_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("has_checksums", [False, True])
def test_a_client_sends_a_file(tmp_path: Path, scan: Path, has_checksums: bool) -> None:
    with live_service(tmp_path / "data") as live:
        sending = uploader(live.url, scan, upload_checksum=has_checksums)
        sending.upload()
        assert stored_hash(live.url, sending.url) == hash_of(scan)


def test_a_client_resumes_after_it_was_stopped(tmp_path: Path, scan: Path) -> None:
    with live_service(tmp_path / "data") as live:
        first = uploader(live.url, scan)
        first.upload(stop_at=450_000)
        second = uploader(live.url, scan, url=first.url)
        assert second.offset == 450_000
        second.upload()
        assert stored_hash(live.url, first.url) == hash_of(scan)


def test_an_upload_larger_than_the_limit_is_refused_before_it_is_sent(tmp_path: Path, scan: Path) -> None:
    with live_service(tmp_path / "data", upload_limit_bytes=1000) as live, pytest.raises(TusCommunicationError):
        uploader(live.url, scan).upload()


def slow_pieces(data: bytes, pieces_sent: threading.Event) -> Iterator[bytes]:
    for start in range(0, len(data), CHUNK_BYTES):
        yield data[start : start + CHUNK_BYTES]
        if start >= 5 * CHUNK_BYTES:
            pieces_sent.set()
            time.sleep(2)


def test_a_file_is_whole_after_the_line_broke_and_the_server_was_killed(tmp_path: Path, scan: Path) -> None:
    data, begun = scan.read_bytes(), threading.Event()
    with api_process(tmp_path / "data") as api:
        first = uploader(api.url, scan)
        first.upload(stop_at=CHUNK_BYTES)
        path = first.url.removeprefix(api.url)
        headers = {
            "Tus-Resumable": "1.0.0",
            "Upload-Offset": str(CHUNK_BYTES),
            "Content-Type": "application/offset+octet-stream",
        }
        sending = threading.Thread(
            target=_sent_in_vain, args=(first.url, slow_pieces(data[CHUNK_BYTES:], begun), headers), daemon=True
        )
        sending.start()
        assert begun.wait(20)
        api.kill()
        sending.join(20)
    with api_process(tmp_path / "data") as api:
        second = uploader(api.url, scan, url=f"{api.url}{path}")
        assert CHUNK_BYTES <= second.offset < len(data)
        second.upload()
        assert stored_hash(api.url, second.url) == hash_of(scan)


def _sent_in_vain(url: str, content: Iterator[bytes], headers: dict[str, str]) -> None:
    with pytest.raises(httpx.TransportError):
        httpx.patch(url, content=content, headers=headers)


def test_an_interrupted_raw_upload_leaves_nothing(tmp_path: Path) -> None:
    with live_service(tmp_path) as live:
        with pytest.raises(httpx.ReadTimeout):
            httpx.post(f"{live.url}/v1/uploads?name=a.stl", content=_stalled(), timeout=30)
        deadline_s = time.monotonic() + 10
        while not ended_by_its_caller(live.url) and time.monotonic() < deadline_s:
            time.sleep(0.05)
        assert ended_by_its_caller(live.url)
        assert live.service.stored_files() == []


def ended_by_its_caller(server: str) -> bool:
    """Whether the service has counted an upload that its caller left."""
    lines = httpx.get(f"{server}/metrics").text.splitlines()
    return any('/v1/uploads"' in line and '"499"' in line for line in lines)


def _stalled() -> Iterator[bytes]:
    yield b"x" * 2_000_000
    raise httpx.ReadTimeout("the caller's line broke")

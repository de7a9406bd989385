"""Stored files as answers: whole or a range of one, in pieces, from wherever the store keeps them (RFC 9110, 14)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from shared.filestore import FileStore

ONE_RANGE = re.compile(r"bytes=(\d*)-(\d*)")
MEDIA_TYPE = "application/octet-stream"


@dataclass(frozen=True)
class Content:
    """What is to be sent: a key, its size and hash, and the name to save it under."""

    key: str
    size_bytes: int
    sha256: str
    file_name: str


def content_response(store: FileStore, content: Content, request: Request) -> Response:
    """Always as an attachment: a file of a stranger is never shown as a page."""
    etag = f'"{content.sha256}"'
    headers = {"ETag": etag, "Cache-Control": "private, no-cache", "Accept-Ranges": "bytes"}
    if etag in request.headers.get("if-none-match", "").split(", "):
        return Response(status_code=304, headers=headers)
    asked = request.headers.get("range", "") if request.headers.get("if-range", etag) == etag else ""
    start_bytes, stop_bytes = wanted_range(asked, content.size_bytes)
    if start_bytes >= stop_bytes:
        return Response(status_code=416, headers={"Content-Range": f"bytes */{content.size_bytes}"})
    is_whole = (start_bytes, stop_bytes) == (0, content.size_bytes)
    if not is_whole:
        headers["Content-Range"] = f"bytes {start_bytes}-{stop_bytes - 1}/{content.size_bytes}"
    pieces = store.read(content.key, start_bytes, None if is_whole else stop_bytes)
    answer = StreamingResponse(pieces, 200 if is_whole else 206, headers, MEDIA_TYPE)
    answer.headers["Content-Length"] = str(stop_bytes - start_bytes)
    answer.headers["Content-Disposition"] = _disposition(content.file_name)
    return answer


def wanted_range(asked: str, size_bytes: int) -> tuple[int, int]:
    """First byte and the one after the last; all of them for anything but a range of bytes, none if it is outside."""
    found = ONE_RANGE.fullmatch(asked.strip().lower())
    if found is None or found.groups() == ("", ""):
        return 0, size_bytes
    first, last = found.groups()
    if not first:
        return (max(0, size_bytes - int(last)), size_bytes) if int(last) else (size_bytes, size_bytes)
    if last and int(last) < int(first):
        return 0, size_bytes  # no sound range (14.1.1): as if none was asked for
    return int(first), min(size_bytes, int(last) + 1 if last else size_bytes)


def _disposition(file_name: str) -> str:
    quoted = quote(file_name)  # RFC 5987
    return f'attachment; filename="{file_name}"' if quoted == file_name else f"attachment; filename*=utf-8''{quoted}"

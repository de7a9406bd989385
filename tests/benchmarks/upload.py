"""Memory of the HTTP service while it receives a large file, by each of the three ways.

    .venv/bin/python -m tests.benchmarks.upload [MEGABYTES]

Each way gets a fresh process; peak is VmHWM, the most memory the process ever held resident.
The line "read whole" is what the same framework does with ``await request.body()``.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx

from tests.support.process import api_process

MB = 1_000_000
PIECE = bytes(range(256)) * 256
TUS = {"Tus-Resumable": "1.0.0"}
BOUNDARY = "firstpour-benchmark"
READ_WHOLE = """
import hashlib, resource, sys
from fastapi import FastAPI, Request
import uvicorn
app = FastAPI()
@app.get("/v1/health/live")
def live(): return {}
@app.post("/whole")
async def whole(request: Request):
    body = await request.body()
    hashlib.sha256(body)
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
uvicorn.run(app, port=int(sys.argv[1]), log_level="error")
"""


def content(size_bytes: int) -> Iterator[bytes]:
    """That many bytes in pieces of 64 KiB."""
    for _ in range(size_bytes // len(PIECE)):
        yield PIECE
    yield PIECE[: size_bytes % len(PIECE)]


def send_raw(url: str, size_bytes: int) -> httpx.Response:
    """One raw body."""
    return httpx.post(f"{url}/v1/uploads?name=scan.stl", content=content(size_bytes), timeout=600)


def send_form(url: str, size_bytes: int) -> httpx.Response:
    """One form with both files."""

    def body() -> Iterator[bytes]:
        for field, size in (("nominal", 1000), ("scan", size_bytes)):
            head = f'Content-Disposition: form-data; name="{field}"; filename="{field}.stl"'
            yield f"--{BOUNDARY}\r\n{head}\r\n\r\n".encode()
            yield from content(size)
            yield b"\r\n"
        yield f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="unit"\r\n\r\nmm\r\n--{BOUNDARY}--\r\n'.encode()

    headers = {"Content-Type": f"multipart/form-data; boundary={BOUNDARY}"}
    return httpx.post(f"{url}/v1/inspections/form", content=body(), headers=headers, timeout=600)


def send_resumable(url: str, size_bytes: int) -> httpx.Response:
    """One resumable upload in a single piece."""
    begun = httpx.post(f"{url}/v1/uploads/tus", headers={**TUS, "Upload-Length": str(size_bytes)})
    headers = {**TUS, "Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}
    return httpx.patch(f"{url}{begun.headers['location']}", content=content(size_bytes), headers=headers, timeout=600)


def measure(name: str, send: Callable[[str, int], httpx.Response], size_bytes: int) -> None:
    """Send to a fresh process and print a line."""
    with tempfile.TemporaryDirectory() as folder, api_process(Path(folder)) as api:
        at_rest_bytes, started_s = api.peak_memory_bytes(), time.perf_counter()
        answer = send(api.url, size_bytes)
        duration_s = time.perf_counter() - started_s
        assert answer.status_code < 300, answer.text
        tell(name, at_rest_bytes, api.peak_memory_bytes(), duration_s, size_bytes)


def measure_read_whole(size_bytes: int) -> None:
    """The same with the whole body in memory, for comparison."""
    process = subprocess.Popen([sys.executable, "-c", READ_WHOLE, "18650"])
    try:
        while True:
            try:
                httpx.get("http://127.0.0.1:18650/v1/health/live")
                break
            except httpx.TransportError:
                time.sleep(0.1)
        started_s = time.perf_counter()
        peak = httpx.post("http://127.0.0.1:18650/whole", content=content(size_bytes), timeout=600).json()
        tell("read whole", 0, peak, time.perf_counter() - started_s, size_bytes)
    finally:
        process.terminate()
        process.wait()


def tell(name: str, at_rest_bytes: int, peak_bytes: int, duration_s: float, size_bytes: int) -> None:
    """One line of the table."""
    rate = size_bytes / MB / duration_s
    print(f"{name:12} {at_rest_bytes / MB:10.0f} {peak_bytes / MB:10.0f} {duration_s:10.1f} {rate:10.0f}")


def main() -> None:
    """Print the table."""
    size_bytes = int(sys.argv[1]) * MB if len(sys.argv) > 1 else 400 * MB
    print(f"{size_bytes // MB} MB       at rest MB    peak MB          s       MB/s")
    measure("raw", send_raw, size_bytes)
    measure("form", send_form, size_bytes)
    measure("resumable", send_resumable, size_bytes)
    measure_read_whole(size_bytes)


if __name__ == "__main__":
    main()

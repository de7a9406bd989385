"""``firstpour send``: upload, order the inspection, follow it, fetch the report."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from secrets import token_hex
from typing import Any
from urllib.parse import quote

import httpx

from shared.errors import RequestInvalid, ServiceUnavailable
from shared.report import Report, attachments_of
from shared.states import InspectionState
from worker.command import talking
from worker.command.asking import Asked
from worker.command.progress_bar import Show, progress_bar
from worker.command.results import report_folder, result_document
from worker.exit_codes import ExitCode
from worker.job_records import REPORT_HTML, REPORT_JSON, InputFile

CHUNK_BYTES = 1 << 20
TIMEOUT = httpx.Timeout(60.0, connect=10.0)
SILENCE_S = 60.0  # the server may be restarted under us; longer than that and we give up following
ASK_AGAIN_S = 1.0


class Refused(Exception):
    """The server answered with a problem; ``problem`` is its body."""

    def __init__(self, problem: Mapping[str, Any]) -> None:
        super().__init__(problem["detail"])
        self.problem = problem


@dataclass(frozen=True)
class Server:
    """Where to send, and the access key, empty where none is wanted."""

    address: str
    key: str = field(repr=False)


def send_there(asked: Asked, server: Server, *, out: Path | None, as_json: bool) -> ExitCode:
    """Send, follow, fetch, say the result, and return the exit code."""
    folder = report_folder(out, Path(asked.scan.display_name))
    try:
        with _client(server) as client:
            final = _inspect_there(client, asked)
            if final["state"] != InspectionState.DONE:
                return _say_no_report(final, as_json=as_json)
            for link, name in (("report_json", REPORT_JSON), ("report_html", REPORT_HTML)):
                _fetch(client, final["links"][link], folder / name)
            _fetch_attachments(client, final["links"]["report_json"], folder)
    except Refused as refused:
        problem = refused.problem
        talking.complain(
            problem["code"], problem["detail"], problem["advice"], problem.get("data", {}), as_json=as_json
        )
        return ExitCode.FAILED
    result = {
        **result_document(folder),
        "inspection_id": final["id"],
        "page": server.address.rstrip("/") + final["links"]["page"],
    }
    talking.say_result(result, as_json=as_json)
    return ExitCode(result["exit_code"])


def _inspect_there(client: httpx.Client, asked: Asked) -> dict[str, Any]:
    with progress_bar() as show:
        wanted = _order(client, asked, show)
        order = _checked(client.post("/v1/inspections", json=wanted, headers={"Idempotency-Key": token_hex(16)}))
        page = f"{str(client.base_url).rstrip('/')}{order['links']['page']}"
        try:
            return _follow(client, order, show)
        except KeyboardInterrupt:
            talking.note(f"The inspection goes on without us: {page}")
            raise


def _order(client: httpx.Client, asked: Asked, show: Show) -> dict[str, Any]:
    """Upload every file, and the request that refers to them."""
    total = sum(file.path.stat().st_size for file in (asked.nominal, asked.scan, *(b.file for b in asked.bodies)))
    meter = _Meter(total, show)
    bodies = [{"name": b.name, "role": b.role, "upload_id": _upload(client, b.file, meter)} for b in asked.bodies]
    wanted = {
        "title": asked.title,
        "nominal_upload_id": _upload(client, asked.nominal, meter),
        "scan_upload_id": _upload(client, asked.scan, meter),
        "nominal_unit": asked.nominal.stated_unit,
        "scan_unit": asked.scan.stated_unit,
        "bodies": bodies,
        "plan": asked.plan_source,
    }
    return {name: value for name, value in wanted.items() if value}


class _Meter:
    def __init__(self, total_bytes: int, show: Show) -> None:
        self._total, self._sent, self._show = total_bytes, 0, show

    def add(self, size_bytes: int) -> None:
        self._sent += size_bytes
        self._show("send", self._sent / self._total)


def _upload(client: httpx.Client, file: InputFile, meter: _Meter) -> str:
    size = file.path.stat().st_size
    headers = {"Content-Length": str(size), "Content-Type": "application/octet-stream"}
    address = f"/v1/uploads?name={quote(file.display_name, safe='')}"
    upload_id: str = _checked(client.post(address, content=_chunks(file.path, meter), headers=headers))["id"]
    return upload_id


def _chunks(path: Path, meter: _Meter) -> Iterator[bytes]:
    with path.open("rb") as stream:
        while chunk := stream.read(CHUNK_BYTES):
            yield chunk
            meter.add(len(chunk))


def _follow(client: httpx.Client, seen: dict[str, Any], show: Show) -> dict[str, Any]:
    """Follow the events to the final state; a stream that breaks off is taken up again."""
    heard_s = time.monotonic()
    while not InspectionState(seen["state"]).is_final:
        try:
            for event in _events(client, seen["links"]["events"]):
                seen, heard_s = event, time.monotonic()
                show(seen["stage"], seen["progress"])
        except httpx.TransportError as error:
            if time.monotonic() - heard_s > SILENCE_S:
                raise ServiceUnavailable(
                    f"The server stopped answering while inspection {seen['id']} was under way.",
                    advice="The inspection may well go on; look at the server's list of inspections.",
                ) from error
        if not InspectionState(seen["state"]).is_final:
            time.sleep(ASK_AGAIN_S)
    return seen


def _events(client: httpx.Client, address: str) -> Iterator[dict[str, Any]]:
    """Data of the server-sent events of one stream."""
    with client.stream("GET", address, headers={"Accept": "text/event-stream"}) as answer:
        if answer.is_error:
            answer.read()
            _checked(answer)
        for line in answer.iter_lines():
            if line.startswith("data:"):
                yield json.loads(line[len("data:") :])


def _fetch_attachments(client: httpx.Client, report_address: str, folder: Path) -> None:
    """The files that go with a report, beside it as the report's own links have them."""
    report = Report.model_validate_json((folder / REPORT_JSON).read_bytes())
    for file in attachments_of(report):
        target = folder / file.path
        target.parent.mkdir(exist_ok=True)
        _fetch(client, report_address.rsplit("/", 1)[0] + "/" + file.path, target)


def _fetch(client: httpx.Client, address: str, path: Path) -> None:
    """Download aside, then take the place of an older file."""
    aside = path.with_name(f".{path.name}.part")
    with client.stream("GET", address) as answer, aside.open("wb") as stream:
        if answer.is_error:
            answer.read()
            _checked(answer)
        for chunk in answer.iter_bytes(CHUNK_BYTES):
            stream.write(chunk)
    aside.replace(path)


def _checked(answer: httpx.Response) -> dict[str, Any]:
    """The JSON of a good answer; raises Refused with the problem of any other."""
    try:
        body: dict[str, Any] = answer.json()
    except ValueError:
        body = {}
    if answer.is_success and body:
        return body
    if {"code", "detail", "advice"} <= body.keys():
        raise Refused(body)
    raise RequestInvalid(
        f"{answer.url} answered {answer.status_code}, not as Firstpour does.",
        advice="Check the address given with --server.",
    )


def _say_no_report(final: Mapping[str, Any], *, as_json: bool) -> ExitCode:
    error = final["error"] or {
        "code": "cancelled",
        "message": f"Inspection {final['id']} was cancelled.",
        "advice": "Send it again if you still want it.",
    }
    return talking.complain_of_row(error, as_json=as_json)


@contextmanager
def _client(server: Server) -> Iterator[httpx.Client]:
    """A client; an address that is none, or where nobody answers, is told as such."""
    try:
        headers = {"Authorization": f"Bearer {server.key}"} if server.key else {}
        with httpx.Client(base_url=server.address, headers=headers, timeout=TIMEOUT) as client:
            yield client
    except (httpx.InvalidURL, httpx.UnsupportedProtocol) as error:
        raise RequestInvalid(
            f"{server.address} is not the address of a server.", advice="Write it like http://127.0.0.1:8650."
        ) from error
    except httpx.TransportError as error:
        raise ServiceUnavailable(
            f"No answer from {server.address}: {error}.", advice="Start one with 'firstpour serve', or check --server."
        ) from error

"""The HTTP service in this process, with a broker that only remembers what it was told."""

from __future__ import annotations

import json
import tempfile
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI

from api.app import create_app
from api.resources import Resources
from shared.database import migrate
from shared.report import REPORT_VERSION
from shared.settings import Settings
from shared.states import SizeClass
from shared.tables import Inspection, utc_now

with warnings.catch_warnings():
    # Starlette would rather have a successor of httpx; for tests the httpx we have does.
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

DATABASE = "firstpour.sqlite3"
BASE_URL = "http://127.0.0.1:8650"
STEP = b"ISO-10303-21;\nHEADER;\nENDSEC;\n"
STL = b"solid scan\nendsolid scan\n"
REPORT = json.dumps({"report_version": REPORT_VERSION})
PAGE = "<!doctype html><title>Report</title><style>p{margin:0}</style><p>0.47 mm"


@dataclass
class FakeSender:
    """A broker for tests."""

    is_up: bool = True
    sent: list[str] = field(default_factory=list)
    sizes: dict[str, SizeClass] = field(default_factory=dict)

    def send(self, inspection_id: str, size_class: SizeClass) -> bool:
        if self.is_up:
            self.sizes[inspection_id] = size_class
            self.sent.append(inspection_id)
        return self.is_up

    def check_reachable(self) -> None:
        if not self.is_up:
            raise ConnectionError("Connection refused")


@dataclass(frozen=True)
class Service:
    """The application, a client of it, and what lies behind."""

    app: FastAPI
    client: httpx.Client
    sender: FakeSender
    folder: Path

    @property
    def resources(self) -> Resources:
        found: Resources = self.app.state.resources
        return found

    def stranger(self) -> httpx.Client:
        """Another client of the same application, with cookies of its own."""
        return TestClient(self.app, base_url=BASE_URL, raise_server_exceptions=False, follow_redirects=False)

    def upload(self, name: str = "head.step", content: bytes = STEP) -> dict[str, Any]:
        """Send one file."""
        answer = self.client.post("/v1/uploads", params={"name": name}, content=content)
        assert answer.status_code == 201, answer.text
        found: dict[str, Any] = answer.json()
        return found

    def order(self, **changes: Any) -> dict[str, Any]:
        """Order an inspection of two small files."""
        order = {
            "nominal_upload_id": self.upload()["id"],
            "scan_upload_id": self.upload("scan.stl", STL)["id"],
            "scan_unit": "mm",
            **changes,
        }
        answer = self.client.post("/v1/inspections", json=order)
        assert answer.status_code == 202, answer.text
        found: dict[str, Any] = answer.json()
        return found

    def move(self, inspection_id: str, **values: Any) -> None:
        """What a worker would write into the row."""
        with self.resources.database.writing() as session:
            row = session.get_one(Inspection, inspection_id)
            for name, value in values.items():
                setattr(row, name, value)

    def finish(
        self, inspection_id: str, page: str = PAGE, report: str = REPORT, files: Mapping[str, bytes] | None = None
    ) -> None:
        """Publish a report, with files beside it, and end the inspection, as a worker does."""
        aside = self.resources.store.new_folder()
        (aside / "report.json").write_text(report)
        (aside / "report.html").write_text(page)
        for name, content in (files or {}).items():
            (aside / "files").mkdir(exist_ok=True)
            (aside / "files" / name).write_bytes(content)
        key = self.resources.store.publish_folder(aside, f"reports/{inspection_id}/1")
        self.move(
            inspection_id, state="done", stage="report", progress=1.0, outcome="does_not_conform",
            headline="Jacket core displaced by 0.45 mm.", report_key=key, finished_at=utc_now(),
        )  # fmt: skip

    def stored_files(self) -> list[Path]:
        """Every file in the store, finished or not."""
        return [path for path in (self.folder / "files").rglob("*") if path.is_file()]


@cache
def _migrated() -> bytes:
    """An empty database, migrated once for all tests."""
    with tempfile.TemporaryDirectory() as folder:
        migrate(Settings(data_dir=Path(folder)))
        return (Path(folder) / DATABASE).read_bytes()


@contextmanager
def running_service(folder: Path, *, keeps_database: bool = False, **settings: Any) -> Iterator[Service]:
    """The service on a fresh database, or on the one that is there."""
    folder.mkdir(exist_ok=True)
    if not keeps_database:
        (folder / DATABASE).write_bytes(_migrated())
    sender = FakeSender()
    app = create_app(Settings(data_dir=folder, **settings), sender)
    with TestClient(app, base_url=BASE_URL, raise_server_exceptions=False) as client:
        yield Service(app, client, sender, folder)

"""A finished inspection, a link to it, and its guest: a client without a key."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import httpx

from shared.report import REPORT_VERSION
from tests.support.service import Service

BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
FILE = "wall1-map.csv"
WORDS = "cylinder seven"  # the passphrase of links that have one
REPORT_WITH_LINES = json.dumps(
    {
        "report_version": REPORT_VERSION,
        "title": "Head <i>1</i>",
        "characteristics": [
            {
                "id": "W1",
                "title": "Jacket wall",
                "exhibits": {"attachments": [{"path": f"files/{FILE}", "title": "Map of the wall"}]},
            }
        ],
    }
)


@dataclass(frozen=True)
class Shared:
    """A link, as its owner got it, and whoever uses it."""

    service: Service
    inspection_id: str
    link: dict[str, Any]
    guest: httpx.Client

    @property
    def token(self) -> str:
        return str(self.link["url"]).rpartition("/")[2]

    @property
    def base(self) -> str:
        return f"/s/{self.token}"

    def remark(self, **fields: str) -> httpx.Response:
        return self.guest.post(f"{self.base}/remarks", data={"author": "Anna", "text": "Cold shut at W1.", **fields})

    def now(self) -> dict[str, Any]:
        """The link as it stands."""
        found: dict[str, Any] = self.service.client.get(self.link["links"]["self"]).json()
        return found


def finished(service: Service, title: str = "First casting") -> str:
    """A finished inspection; its id."""
    inspection_id: str = service.order(title=title)["id"]
    service.finish(inspection_id, report=REPORT_WITH_LINES, files={FILE: b"x_mm\n1.0\n", "other.csv": b"no"})
    return inspection_id


def share(service: Service, inspection_id: str, **wanted: Any) -> Shared:
    """A link to it."""
    order = {"label": "Foundry", "may_remark": True, "may_sign": True, **wanted}
    answer = service.client.post(f"/v1/inspections/{inspection_id}/links", json=order)
    assert answer.status_code == 201, answer.text
    return Shared(service, inspection_id, answer.json(), service.stranger())

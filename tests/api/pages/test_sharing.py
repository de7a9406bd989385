"""Sharing from the page of an inspection, without script."""

from __future__ import annotations

import re

import pytest

from tests.support.service import Service
from tests.support.sharing import BROWSER, Shared, finished, share


@pytest.fixture
def inspection_id(service: Service) -> str:
    return finished(service)


def page_of(service: Service, inspection_id: str) -> str:
    return service.client.get(f"/inspections/{inspection_id}", headers=BROWSER).text


def test_a_link_is_made_and_shown_this_once(service: Service, inspection_id: str) -> None:
    wanted = {"label": "Foundry <b>", "expires_in_days": "7", "passphrase": "", "may_sign": "yes"}
    answer = service.client.post(f"/inspections/{inspection_id}/links", data=wanted, headers=BROWSER)
    found = re.search(r"http://127\.0\.0\.1:8650(/s/[\w-]{43})<", answer.text)
    assert found is not None
    guest = service.stranger().get(found[1])
    assert (guest.status_code, "Sign off" in guest.text, "Leave a remark" in guest.text) == (200, True, False)
    later = page_of(service, inspection_id)
    assert found[1] not in later
    assert "Foundry &lt;b&gt;" in later


def test_the_revoke_button_ends_it(service: Service, inspection_id: str) -> None:
    shared: Shared = share(service, inspection_id)
    path = f"/inspections/{inspection_id}/links/{shared.link['id']}/revoke"
    assert path in page_of(service, inspection_id)
    service.client.post(path)
    assert path not in page_of(service, inspection_id)
    assert shared.guest.get(shared.base).status_code == 404


def test_a_wrong_wish_is_told_on_a_page(service: Service, inspection_id: str) -> None:
    wanted = {"label": "Foundry", "passphrase": "short"}
    answer = service.client.post(f"/inspections/{inspection_id}/links", data=wanted, headers=BROWSER)
    assert answer.status_code == 422
    assert "passphrase" in answer.text


def test_remarks_are_shown_and_left_on_the_page(service: Service, inspection_id: str) -> None:
    shared = share(service, inspection_id)
    shared.remark(place="W1")
    service.client.post(f"/inspections/{inspection_id}/remarks", data={"text": "Seen, thank you."}, headers=BROWSER)
    page = page_of(service, inspection_id)
    assert page.index("Cold shut at W1.") < page.index("Seen, thank you.")
    assert "W1 Jacket wall" in page


@pytest.mark.parametrize("state", ["running", "failed"])
def test_there_is_nothing_to_share_before_there_is_a_report(service: Service, state: str) -> None:
    inspection_id = service.order()["id"]
    service.move(inspection_id, state=state)
    assert 'id="share"' not in page_of(service, inspection_id)

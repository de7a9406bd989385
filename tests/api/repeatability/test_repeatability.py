"""Several inspections of one piece compared over HTTP, from their stored reports."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.support.report_json import minimal_report
from tests.support.service import Service


def finished(service: Service, number: int, **changes: Any) -> str:
    """A finished inspection with the report of one scan; its id."""
    inspection_id: str = service.order()["id"]
    report = minimal_report(scan_sha256=f"{number:064x}", measured=30.0 + 0.001 * number, **changes)
    service.finish(inspection_id, report=json.dumps(report))
    return inspection_id


def compare(service: Service, ids: list[str], **more: Any) -> Any:
    return service.client.post("/v1/repeatability", json={"inspection_ids": ids, **more})


def test_spread_is_that_of_the_values(service: Service) -> None:
    # 30.000, 30.001, 30.002: mean 30.001, s 0.001, range 0.002
    ids = [finished(service, number) for number in range(3)]
    answer = compare(service, ids)
    assert answer.status_code == 200, answer.text
    (line,) = answer.json()["repeatability"]["lines"]
    assert (line["n"], line["dof"]) == (3, 2)
    assert [line[key] for key in ("mean", "standard_deviation", "range")] == pytest.approx([30.001, 0.001, 0.002])
    assert answer.json()["substitution"] is None


def test_a_calibrated_piece_shows_the_bias(service: Service) -> None:
    ids = [finished(service, number) for number in range(3)]
    piece = {"cycles": 3, "values": [{"id": "bore", "value": 29.991, "expanded_uncertainty": 0.001}]}
    found = compare(service, ids, calibrated=piece).json()["substitution"]
    assert found["lines"][0]["bias"] == pytest.approx(0.010)
    assert any("20" in text for text in found["unmet"])


@pytest.mark.parametrize(
    ("changes", "word"), [({"plan_sha256": "bb" * 32}, "plan"), ({"nominal_sha256": "cc" * 32}, "nominal")]
)
def test_inspections_of_other_things_are_refused(service: Service, changes: dict[str, str], word: str) -> None:
    ids = [finished(service, 0), finished(service, 1, **changes)]
    answer = compare(service, ids)
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")
    assert f"another {word}" in answer.json()["detail"]
    assert ids[1] in answer.json()["detail"]


def test_an_unknown_inspection_is_named(service: Service) -> None:
    answer = compare(service, [finished(service, 0), "insp_none"])
    assert (answer.status_code, answer.json()["data"]["id"]) == (404, "insp_none")


def test_an_unfinished_inspection_is_named(service: Service) -> None:
    waiting = service.order()["id"]
    answer = compare(service, [finished(service, 0), waiting])
    assert (answer.status_code, answer.json()["code"]) == (409, "report_not_ready")
    assert waiting in answer.json()["detail"]


def test_the_same_inspection_twice_is_refused(service: Service) -> None:
    one = finished(service, 0)
    assert "given twice" in compare(service, [one, one]).json()["detail"]


@pytest.mark.parametrize("ids", [[], ["insp_1"]])
def test_one_inspection_shows_no_repeatability(service: Service, ids: list[str]) -> None:
    assert compare(service, ids).json()["code"] == "request_invalid"


@pytest.mark.parametrize("uncertainty", [-0.001, "NaN"])
def test_a_calibrated_value_needs_its_uncertainty(service: Service, uncertainty: Any) -> None:
    piece = {"values": [{"id": "bore", "value": 30.0, "expanded_uncertainty": uncertainty}]}
    assert compare(service, ["insp_1", "insp_2"], calibrated=piece).status_code == 422

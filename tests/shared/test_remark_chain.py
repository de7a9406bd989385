"""The chain of remarks: any change to any entry is found and named."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import pytest

from shared.remark_chain import FIRST, ChainCheck, Entry, check_chain

INSPECTION = "insp_1"
Row = list[tuple[Entry, str]]


def entry(number: int, previous: str, text: str = "Gate looks cold.") -> Entry:
    return Entry(
        id=f"rem_{number}", inspection_id=INSPECTION, number=number, link_id=None, author="Anna", kind="remark",
        decision=None, text=text, place=None, at="2025-01-31T09:30:00.000000+00:00", report_sha256="ab" * 32,
        previous_sha256=previous,
    )  # fmt: skip


@pytest.fixture
def row() -> Row:
    found: Row = []
    for number in range(1, 6):
        new = entry(number, found[-1][1] if found else FIRST)
        found.append((new, new.sha256()))
    return found


def check(row: Row) -> ChainCheck:
    return check_chain(INSPECTION, row)


def test_the_digest_is_sha_256_of_plain_json() -> None:
    text = (
        '{"at":"2025-01-31T09:30:00.000000+00:00","author":"Anna","decision":null,"id":"rem_1",'
        f'"inspection_id":"insp_1","kind":"remark","link_id":null,"number":1,"place":null,"previous_sha256":"{FIRST}",'
        f'"report_sha256":"{"ab" * 32}","text":"Sp\\u00e4ne"}}'
    )
    assert entry(1, FIRST, "Späne").sha256() == hashlib.sha256(text.encode()).hexdigest()


def test_a_whole_chain_is_whole(row: Row) -> None:
    assert check(row) == ChainCheck(5, None, None, row[-1][1])


def test_no_entries_are_whole_too() -> None:
    assert check([]) == ChainCheck(0, None, None, FIRST)


@pytest.mark.parametrize(
    "change",
    [
        {"author": "Bert"}, {"text": "Gate looks fine."}, {"kind": "sign_off"}, {"decision": "accepted"},
        {"place": "W1"}, {"at": "2025-01-31T09:30:00.000001+00:00"}, {"report_sha256": "cd" * 32},
        {"link_id": "link_1"}, {"id": "rem_9"},
    ],
)  # fmt: skip
def test_any_change_to_an_entry_is_named(row: Row, change: dict[str, str]) -> None:
    row[2] = (replace(row[2][0], **change), row[2][1])  # type: ignore[arg-type]  # every field here is text
    found = check(row)
    assert (found.broken_number, found.last_sha256) == (3, row[1][1])


def test_a_change_hashed_anew_is_found_at_the_entry_behind(row: Row) -> None:
    changed = replace(row[2][0], text="Gate looks fine.")
    row[2] = (changed, changed.sha256())
    assert check(row).broken_number == 4


@pytest.mark.parametrize("at", [0, 2])
def test_an_entry_taken_out_is_missed(row: Row, at: int) -> None:
    del row[at]
    assert check(row).reason == f"entry {at + 1} is missing"


def test_two_entries_changed_about_are_found(row: Row) -> None:
    row[1], row[2] = row[2], row[1]
    assert check(row).broken_number == 2


def test_an_entry_of_another_inspection_does_not_fit(row: Row) -> None:
    row[4] = (replace(row[4][0], inspection_id="insp_2"), row[4][1])
    assert check(row).reason == "it belongs to another inspection"


def test_what_is_cut_off_the_end_shows_in_the_last_digest_only(row: Row) -> None:
    kept = row[-1][1]
    found = check(row[:-1])
    assert found.is_whole
    assert found.last_sha256 != kept

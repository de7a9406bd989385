"""``firstpour key`` and ``firstpour workspace``: the first key of a service, and the others."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from shared.database import open_database
from shared.errors import RequestInvalid
from shared.keys import find_key
from shared.settings import Settings, load_settings
from worker.command.keys_here import moment, scopes_of
from worker.command.main import run
from worker.exit_codes import ExitCode

NOW = datetime(2025, 1, 31, 9, 30, tzinfo=UTC)


def command(capsys: pytest.CaptureFixture[str], folder: Path, *words: str) -> dict[str, Any]:
    assert run([*words, "--data-dir", str(folder), "--json"]) == ExitCode.CONFORMS
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def holder(folder: Path, text: str) -> str | None:
    database = open_database(Settings(data_dir=folder))
    with database.reading() as session:
        row = find_key(session, text)
    database.close()
    return row.name if row else None


def test_the_first_key_of_a_service_is_made_without_one(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = command(capsys, tmp_path, "key", "create", "Office", "--scopes", "read,write,admin", "--expires", "90d")
    assert holder(tmp_path, made["key"]) == "Office"
    assert (made["scopes"], made["workspace_id"]) == (["admin", "read", "write"], "ws_default")
    assert datetime.fromisoformat(made["expires_at"]) > datetime.now(UTC) + timedelta(days=89)


def test_standard_output_is_the_key_and_nothing_else(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run(["key", "create", "Office", "--scopes", "read", "--data-dir", str(tmp_path)]) == ExitCode.CONFORMS
    said = capsys.readouterr()
    assert holder(tmp_path, said.out.rstrip("\n")) == "Office"
    assert "cannot be shown again" in said.err


def test_a_key_is_rotated_listed_and_revoked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = command(capsys, tmp_path, "key", "create", "Office", "--scopes", "read")
    new = command(capsys, tmp_path, "key", "rotate", made["id"], "--overlap", "12h")
    assert holder(tmp_path, made["key"]) == holder(tmp_path, new["key"]) == "Office"
    assert command(capsys, tmp_path, "key", "revoke", made["id"])["state"] == "revoked"
    assert holder(tmp_path, made["key"]) is None
    listed = command(capsys, tmp_path, "key", "list")["keys"]
    assert [(one["id"], one["state"]) for one in listed] == [(new["id"], "in_use"), (made["id"], "revoked")]
    assert not any("key" in one for one in listed)


def test_a_key_is_for_the_workspace_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = command(capsys, tmp_path, "workspace", "create", "Foundry")
    key = command(capsys, tmp_path, "key", "create", "Office", "--scopes", "read", "--workspace", "Foundry")
    assert key["workspace_id"] == made["id"]
    names = [one["name"] for one in command(capsys, tmp_path, "workspace", "list")["workspaces"]]
    assert names == ["Default", "Foundry"]
    assert command(capsys, tmp_path, "key", "list")["keys"] == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["key", "create", "A", "--scopes", "reed"], "reed"),
        (["key", "create", "A", "--scopes", ","], "No scope"),
        (["key", "create", "A", "--scopes", "read", "--expires", "soon"], "soon"),
        (["key", "create", "A", "--scopes", "read", "--expires", "2020-01-01"], "past"),
        (["key", "create", "A", "--scopes", "read", "--workspace", "none"], "no workspace none"),
        (["key", "revoke", "key_none"], "no key key_none"),
        (["key", "rotate", "key_none", "--overlap", "long"], "long"),
        (["workspace", "create", "Default"], "Default"),
    ],
)
def test_what_is_wrong_is_named(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, words: list[str], said: str
) -> None:
    assert run([*words, "--data-dir", str(tmp_path)]) == ExitCode.FAILED
    told = capsys.readouterr()
    assert said in told.err
    assert "What to do" in told.err
    assert told.out == ""


def test_a_database_out_of_reach_is_told_as_such(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FIRSTPOUR_DATABASE_URL", f"postgresql+psycopg://nobody@/none?host={tmp_path}")
    assert run(["key", "list"]) == ExitCode.FAILED
    assert "database cannot be reached" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12h", NOW + timedelta(hours=12)),
        ("90d", NOW + timedelta(days=90)),
        ("2w", NOW + timedelta(weeks=2)),
        ("2026-12-31", datetime(2026, 12, 31, tzinfo=UTC)),
        ("2026-12-31T10:00:00+02:00", datetime(2026, 12, 31, 8, tzinfo=UTC)),
    ],
)
def test_an_end_is_a_duration_or_a_date(text: str, expected: datetime) -> None:
    assert moment(text, NOW) == expected


def test_a_scope_that_is_none_is_refused() -> None:
    assert sorted(scopes_of(" read, share ")) == ["read", "share"]
    with pytest.raises(RequestInvalid):
        scopes_of("read,all")


def test_the_key_of_a_program_is_no_unknown_setting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FIRSTPOUR_KEY", "fp_x")
    assert "fp_x" not in repr(load_settings())

"""Keys and workspaces in the database."""

from __future__ import annotations

import hmac
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from api.resources import LOCAL, Caller
from shared import keys
from shared.access import DEFAULT_WORKSPACE, Scope, new_secret
from shared.database import Database, migrate, open_database
from shared.errors import Conflict, NotFound
from shared.keys import IssuedKey, KeyTerms, create_key, find_key, find_workspace, get_key, revoke_key, rotate_key
from shared.settings import Settings
from shared.tables import ApiKey, AuditEntry, utc_now

TERMS = KeyTerms(name="Scanner room", scopes=frozenset({Scope.READ, Scope.WRITE}))


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    settings = Settings(data_dir=tmp_path)
    migrate(settings)
    database = open_database(settings)
    yield database
    database.close()


def make(database: Database, **changes: Any) -> IssuedKey:
    with database.writing() as session:
        return create_key(session, LOCAL, KeyTerms(name="Scanner room", scopes=TERMS.scopes, **changes))


def found(database: Database, text: str) -> str | None:
    with database.reading() as session:
        row = find_key(session, text)
    return row.id if row else None


def test_a_key_is_found_by_its_text(database: Database) -> None:
    issued = make(database)
    assert found(database, issued.secret.text) == issued.row.id
    assert (issued.row.scopes, issued.row.workspace_id) == (["read", "write"], DEFAULT_WORKSPACE)


def test_the_text_of_a_key_is_nowhere_in_the_database(database: Database, tmp_path: Path) -> None:
    secret = make(database).secret
    database.close()
    content = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert secret.sha256.encode() in content
    assert secret.text[len(secret.prefix) + 1 :].encode() not in content


@pytest.mark.parametrize("alter", [str.upper, lambda text: text[:-1], lambda text: text + " ", lambda _: ""])
def test_a_text_that_differs_is_no_key(database: Database, alter: Any) -> None:
    assert found(database, alter(make(database).secret.text)) is None


def test_the_right_public_part_with_another_secret_is_no_key(database: Database) -> None:
    issued = make(database)
    assert found(database, issued.secret.prefix + new_secret().text[13:]) is None


@pytest.mark.parametrize("is_known", [True, False])
def test_hashes_are_compared_in_constant_time_whether_or_not_there_is_such_a_key(
    database: Database, monkeypatch: pytest.MonkeyPatch, is_known: bool
) -> None:
    compared: list[tuple[str, str]] = []

    def compare(first: str, second: str) -> bool:
        compared.append((first, second))
        return hmac.compare_digest(first, second)

    issued, stranger = make(database), new_secret()
    monkeypatch.setattr("shared.keys.hmac", type("Hmac", (), {"compare_digest": staticmethod(compare)}))
    found(database, issued.secret.text if is_known else stranger.text)
    expected = issued.secret.sha256 if is_known else keys.NOBODYS_DIGEST
    assert compared == [(expected, issued.secret.sha256 if is_known else stranger.sha256)]


def test_an_expired_key_is_no_key(database: Database) -> None:
    assert found(database, make(database, expires_at=utc_now() - timedelta(seconds=1)).secret.text) is None
    assert found(database, make(database, expires_at=utc_now() + timedelta(hours=1)).secret.text) is not None


def test_a_revoked_key_is_no_key_and_stays_so(database: Database) -> None:
    issued = make(database)
    with database.writing() as session:
        first = revoke_key(session, LOCAL, issued.row.id).revoked_at
    with database.writing() as session:
        assert revoke_key(session, LOCAL, issued.row.id).revoked_at == first
    assert found(database, issued.secret.text) is None


def rotate(database: Database, key_id: str, overlap: timedelta = timedelta(hours=1)) -> IssuedKey:
    with database.writing() as session:
        return rotate_key(session, LOCAL, key_id, overlap)


def test_a_replaced_key_works_until_the_overlap_is_over(database: Database) -> None:
    old = make(database)
    new = rotate(database, old.row.id)
    assert (found(database, old.secret.text), found(database, new.secret.text)) == (old.row.id, new.row.id)
    with database.writing() as session:
        row = session.get_one(ApiKey, old.row.id)
        assert row.replaced_by == new.row.id
        assert row.expires_at is not None
        row.expires_at -= timedelta(hours=1)
    assert (found(database, old.secret.text), found(database, new.secret.text)) == (None, new.row.id)


def test_without_overlap_a_replaced_key_ends_at_once(database: Database) -> None:
    old = make(database)
    rotate(database, old.row.id, timedelta(0))
    assert found(database, old.secret.text) is None


def test_rotation_keeps_the_terms_and_never_makes_the_old_key_last_longer(database: Database) -> None:
    end = utc_now() + timedelta(minutes=10)
    old = make(database, expires_at=end, rate_per_minute=7, open_jobs_limit=3, stored_bytes_limit=99)
    new = rotate(database, old.row.id).row
    assert (new.name, new.scopes, new.family_id) == (old.row.name, old.row.scopes, old.row.id)
    assert (new.rate_per_minute, new.open_jobs_limit, new.stored_bytes_limit) == (7, 3, 99)
    assert new.expires_at is not None
    assert timedelta(minutes=9) < new.expires_at - utc_now() <= timedelta(minutes=10)
    with database.reading() as session:
        assert session.get_one(ApiKey, old.row.id).expires_at == end


@pytest.mark.parametrize("how", ["replaced", "revoked", "expired"])
def test_a_key_that_has_ended_cannot_be_rotated(database: Database, how: str) -> None:
    issued = make(database, expires_at=utc_now() - timedelta(1) if how == "expired" else None)
    with database.writing() as session:
        if how == "replaced":
            rotate_key(session, LOCAL, issued.row.id)
        elif how == "revoked":
            revoke_key(session, LOCAL, issued.row.id)
    with pytest.raises(Conflict):
        rotate(database, issued.row.id)


def test_keys_of_another_workspace_are_not_there(database: Database) -> None:
    issued = make(database)
    stranger = Caller("stranger", "ws_other", None, frozenset(Scope))
    for act in (get_key, revoke_key, rotate_key):
        with database.writing() as session, pytest.raises(NotFound):
            act(session, stranger, issued.row.id)
    assert found(database, issued.secret.text) == issued.row.id


def test_what_is_done_to_keys_is_in_the_log_and_no_secret_is(database: Database) -> None:
    issued = make(database)
    rotated = rotate(database, issued.row.id)
    with database.writing() as session:
        revoke_key(session, LOCAL, issued.row.id)
    with database.reading() as session:
        entries = session.scalars(select(AuditEntry).order_by(AuditEntry.at)).all()
    assert [entry.action for entry in entries] == ["key.created", "key.rotated", "key.revoked"]
    assert {entry.target for entry in entries} == {issued.row.id}
    written = str([entry.detail for entry in entries])
    assert not any(
        secret.text[14:] in written or secret.sha256 in written for secret in (issued.secret, rotated.secret)
    )


def test_workspaces_are_found_by_name_and_id_and_names_are_unique(database: Database) -> None:
    with database.writing() as session:
        made = keys.create_workspace(session, "Foundry")
    with database.writing() as session:
        assert find_workspace(session, "Foundry").id == find_workspace(session, made.id).id == made.id
        assert [one.id for one in keys.list_workspaces(session)] == [DEFAULT_WORKSPACE, made.id]
        with pytest.raises(Conflict):
            keys.create_workspace(session, "Foundry")
        with pytest.raises(NotFound):
            find_workspace(session, "Elsewhere")

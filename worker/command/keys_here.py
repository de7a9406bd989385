"""``firstpour key`` and ``firstpour workspace``, on the database of the settings."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from sqlalchemy import select
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from shared import keys
from shared.access import Scope
from shared.database import migrate, open_database
from shared.errors import NotFound, RequestInvalid, ServiceUnavailable
from shared.settings import Settings, UnknownSetting, load_settings
from shared.tables import ApiKey, Workspace, utc_now
from worker.command import talking
from worker.exit_codes import ExitCode

DURATION = re.compile(r"(\d{1,5})([hdw])")
UNITS = {"h": timedelta(hours=1), "d": timedelta(days=1), "w": timedelta(weeks=1)}
SHOWN_ONCE = "This is the key. It is kept nowhere and cannot be shown again."


@dataclass(frozen=True)
class Operator:
    """Whoever may run commands on the machine of the database."""

    workspace_id: str
    name: str = "command line"
    key_id: str | None = None


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A key as the command line words it."""

    name: str
    scopes: str
    workspace: str
    expires: str | None


def create_key_here(asked: Asked, data_dir: Path | None, *, as_json: bool) -> ExitCode:
    """Make a key and print it."""
    expires_at = None if asked.expires is None else moment(asked.expires, utc_now())
    terms = keys.KeyTerms(name=asked.name, scopes=scopes_of(asked.scopes), expires_at=expires_at)
    with _writing(data_dir) as session:
        who = Operator(keys.find_workspace(session, asked.workspace).id)
        issued = keys.create_key(session, who, terms)
    return _say_issued(issued, as_json=as_json)


def rotate_key_here(key_id: str, overlap: str, data_dir: Path | None, *, as_json: bool) -> ExitCode:
    """Replace a key and print the new one."""
    duration = _duration(overlap)
    if duration is None:
        raise RequestInvalid(f"{overlap!r} is no duration.", advice="Write --overlap like 12h, 7d or 2w.")
    with _writing(data_dir) as session:
        issued = keys.rotate_key(session, _operator_of(session, key_id), key_id, duration)
    return _say_issued(issued, as_json=as_json)


def revoke_key_here(key_id: str, data_dir: Path | None, *, as_json: bool) -> ExitCode:
    """End a key."""
    with _writing(data_dir) as session:
        row = keys.revoke_key(session, _operator_of(session, key_id), key_id)
    if as_json:
        talking.say_json(_shown(row))
    else:
        talking.say(f"{row.id} {row.name}: revoked.")
    return ExitCode.CONFORMS


def list_keys_here(workspace: str, data_dir: Path | None, *, as_json: bool) -> ExitCode:
    """Print the keys of a workspace, newest first."""
    with _writing(data_dir) as session:
        own = ApiKey.workspace_id == keys.find_workspace(session, workspace).id
        rows = session.scalars(select(ApiKey).where(own).order_by(ApiKey.created_at.desc(), ApiKey.id)).all()
    if as_json:
        talking.say_json({"keys": [_shown(row) for row in rows]})
        return ExitCode.CONFORMS
    for row in rows:
        shown = _shown(row)
        used = f"last used {shown['last_used_at'] or 'never'}"
        talking.say(f"{row.id}  {row.prefix}  {shown['state']:8}  {','.join(row.scopes)}  {row.name}  ({used})")
    return ExitCode.CONFORMS


def create_workspace_here(name: str, data_dir: Path | None, *, as_json: bool) -> ExitCode:
    """Make a workspace and print its id."""
    with _writing(data_dir) as session:
        row = keys.create_workspace(session, name)
    if as_json:
        talking.say_json(_shown_workspace(row))
    else:
        talking.say(row.id)
    return ExitCode.CONFORMS


def list_workspaces_here(data_dir: Path | None, *, as_json: bool) -> ExitCode:
    """Print the workspaces, oldest first."""
    with _writing(data_dir) as session:
        rows = keys.list_workspaces(session)
    if as_json:
        talking.say_json({"workspaces": [_shown_workspace(row) for row in rows]})
        return ExitCode.CONFORMS
    for row in rows:
        talking.say(f"{row.id}  {row.name}")
    return ExitCode.CONFORMS


def scopes_of(text: str) -> frozenset[Scope]:
    """Scopes as a comma-separated list; raises RequestInvalid."""
    words = [word.strip() for word in text.split(",") if word.strip()]
    unknown = sorted(set(words) - set(Scope))
    if unknown or not words:
        raise RequestInvalid(
            f"Unknown scope: {', '.join(unknown)}." if unknown else "No scope was given.",
            advice=f"Write --scopes as a list of {', '.join(Scope)}, such as read,write.",
        )
    return frozenset(map(Scope, words))


def moment(text: str, now: datetime) -> datetime:
    """A time to come, from a duration (90d) or a date (UTC); raises RequestInvalid."""
    duration = _duration(text)
    try:
        found = now + duration if duration is not None else datetime.fromisoformat(text)
    except (ValueError, OverflowError) as error:
        raise RequestInvalid(f"{text!r} is no time.", advice="Write --expires like 90d, 12h or 2026-12-31.") from error
    found = found if found.tzinfo else found.replace(tzinfo=UTC)
    if found <= now:
        raise RequestInvalid(f"{text} is past.", advice="Give a time to come.")
    return found


def _duration(text: str) -> timedelta | None:
    found = DURATION.fullmatch(text)
    return None if found is None else int(found[1]) * UNITS[found[2]]


@contextmanager
def _writing(data_dir: Path | None) -> Iterator[Session]:
    """A transaction on the database of the settings, its tables brought up to date."""
    settings = _settings(data_dir)
    try:
        migrate(settings)
        database = open_database(settings)
        try:
            with database.writing() as session:
                yield session
        finally:
            database.close()
    except (OperationalError, OSError) as error:
        raise ServiceUnavailable(
            f"The database cannot be reached: {str(error).splitlines()[0]}.",
            advice="Check --data-dir or FIRSTPOUR_DATABASE_URL.",
        ) from error


def _settings(data_dir: Path | None) -> Settings:
    try:
        settings = load_settings()
    except (UnknownSetting, ValidationError) as error:
        raise RequestInvalid(f"{error}", advice="Correct the variable or unset it.") from error
    return settings if data_dir is None else settings.model_copy(update={"data_dir": data_dir})


def _operator_of(session: Session, key_id: str) -> Operator:
    row = session.get(ApiKey, key_id)
    if row is None:
        raise NotFound(f"There is no key {key_id}.", advice="See 'firstpour key list'.", id=key_id)
    return Operator(row.workspace_id)


def _say_issued(issued: keys.IssuedKey, *, as_json: bool) -> ExitCode:
    if as_json:
        talking.say_json({**_shown(issued.row), "key": issued.secret.text})
        return ExitCode.CONFORMS
    talking.note(f"{SHOWN_ONCE} Its id is {issued.row.id}.")
    talking.say(issued.secret.text)
    return ExitCode.CONFORMS


def _shown(row: ApiKey) -> dict[str, Any]:
    live = "in_use" if keys.is_live(row, utc_now()) else "expired"
    times = {name: getattr(row, name) for name in ("created_at", "expires_at", "revoked_at", "last_used_at")}
    return {
        "id": row.id,
        "name": row.name,
        "workspace_id": row.workspace_id,
        "prefix": row.prefix,
        "scopes": list(row.scopes),
        "state": "revoked" if row.revoked_at is not None else live,
        **{name: None if at is None else at.isoformat() for name, at in times.items()},
        "replaced_by": row.replaced_by,
    }


def _shown_workspace(row: Workspace) -> dict[str, Any]:
    return {"id": row.id, "name": row.name, "created_at": row.created_at.isoformat()}

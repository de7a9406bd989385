"""Parts and revisions in the database."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.paging import after_cursor, page_of
from api.parts.schemas import BodyIn, PartIn, RevisionIn
from api.quotas import check_jobs
from api.resources import Caller
from api.uploads.service import take_upload
from shared import audit
from shared.errors import FileKindUnknown, NotFound, RequestInvalid, UnitMissing
from shared.feature_list import FEATURES_VERSION
from shared.file_kinds import CARRIES_UNIT, carries_unit
from shared.plan_reading import parse_plan, plan_text
from shared.tables import FeatureDetection, Part, Revision, Upload, new_id
from shared.units import LengthUnit

UNITS = ", ".join(LengthUnit)


def create_part(session: Session, caller: Caller, wanted: PartIn) -> Part:
    """A new part."""
    part = Part(id=new_id("part"), workspace_id=caller.workspace_id, name=wanted.name)
    session.add(part)
    session.flush()
    audit.note(session, caller, "part.created", part.id, name=part.name)
    return part


def get_part(session: Session, caller: Caller, part_id: str) -> Part:
    """One part of the caller's workspace; raises NotFound."""
    part = session.get(Part, part_id)
    if part is None or part.workspace_id != caller.workspace_id:
        raise NotFound(f"There is no part {part_id}.", advice="See /v1/parts for those there are.", id=part_id)
    return part


def hold_part(session: Session, caller: Caller, part_id: str, hold: bool) -> Part:
    """Keep all files of a part and of its inspections, or no longer; raises NotFound."""
    part = get_part(session, caller, part_id)
    if hold != part.hold:
        audit.note(session, caller, "part.held" if hold else "part.hold_ended", part.id)
    part.hold = hold
    session.flush()
    return part


def list_parts(session: Session, caller: Caller, limit: int, cursor: str | None) -> tuple[Sequence[Part], str | None]:
    """A page of the workspace's parts, newest first, and the cursor of the next."""
    own = select(Part).where(Part.workspace_id == caller.workspace_id)
    rows = session.scalars(after_cursor(own, Part.created_at, Part.id, cursor).limit(limit + 1)).all()
    return page_of(rows, limit)


def create_revision(session: Session, caller: Caller, part_id: str, wanted: RevisionIn) -> Revision:
    """A new revision of a part, and the detection of its features, queued with it."""
    check_jobs(session, caller)
    part = get_part(session, caller, part_id)
    nominal = take_upload(session, caller, wanted.nominal_upload_id)
    plan, source = checked_plan(wanted.plan)
    revision = Revision(
        id=new_id("rev"),
        part=part,
        label=wanted.label,
        nominal=nominal,
        unit=checked_unit(nominal, wanted.unit),
        bodies=checked_bodies(session, caller, wanted.bodies),
        plan=plan,
        plan_source=source,
    )
    session.add(revision)
    session.flush()
    session.add(new_detection(caller, revision))
    session.flush()
    audit.note(session, caller, "revision.created", revision.id, part_id=part.id, label=revision.label)
    return revision


def detection_id(revision_id: str) -> str:
    """Id of the detection of a revision's features: one for each revision and version of the list."""
    return f"feat{FEATURES_VERSION}_{revision_id.removeprefix('rev_')}"


def detection_of(session: Session, revision: Revision) -> FeatureDetection:
    """The detection queued with a revision."""
    return session.get_one(FeatureDetection, detection_id(revision.id))


def new_detection(caller: Caller, revision: Revision) -> FeatureDetection:
    """A detection to be queued."""
    return FeatureDetection(
        id=detection_id(revision.id),
        workspace_id=caller.workspace_id,
        key_id=caller.key_id,
        title=revision.label,
        revision_id=revision.id,
        nominal_upload_id=revision.nominal_upload_id,
        nominal_unit=revision.unit,
    )


def get_revision(session: Session, caller: Caller, revision_id: str, part_id: str | None = None) -> Revision:
    """One revision of the caller's workspace, of that part if one is named; raises NotFound."""
    own = select(Revision).join(Part).where(Revision.id == revision_id, Part.workspace_id == caller.workspace_id)
    revision = session.scalar(own)
    if revision is None or part_id not in {None, revision.part_id}:
        raise NotFound(f"There is no revision {revision_id}.", advice="See the part's revisions.", id=revision_id)
    return revision


def list_revisions(
    session: Session, caller: Caller, part_id: str, limit: int, cursor: str | None
) -> tuple[Sequence[Revision], str | None]:
    """A page of revisions of a part, newest first, and the cursor of the next."""
    get_part(session, caller, part_id)
    rows = after_cursor(select(Revision).where(Revision.part_id == part_id), Revision.created_at, Revision.id, cursor)
    return page_of(session.scalars(rows.limit(limit + 1)).all(), limit)


def checked_plan(given: dict[str, Any] | str | None, name: str = "plan") -> tuple[dict[str, Any] | None, str | None]:
    """The plan as kept, and its text as given; raises PlanInvalid."""
    if given is None:
        return None, None
    return parse_plan(given, name).model_dump(mode="json"), plan_text(given)


def checked_unit(upload: Upload, unit: LengthUnit | None, general: LengthUnit | None = None) -> str | None:
    """The unit stated for this file, or the general one if the file carries none.

    Refuses a file that needs a unit and has none, and a file that is not read at all.
    """
    name, has_own = upload.file_name, carries_unit(upload.file_name)
    if has_own is None:
        raise FileKindUnknown(
            f"{name}: files with this ending are not read.",
            file=name,
            advice=f"Send it under a name that ends in one of {', '.join(CARRIES_UNIT)}.",
        )
    if unit is None and not has_own:
        unit = general
    if unit is None and not has_own:
        raise UnitMissing(
            f"{name} carries no unit, and none was stated.", advice=f"State its unit, one of {UNITS}.", file=name
        )
    return unit.value if unit else None


def checked_bodies(session: Session, caller: Caller, bodies: Sequence[BodyIn]) -> list[dict[str, str]]:
    """Bodies as kept; names must differ and files must be there."""
    names = [body.name for body in bodies]
    doubled = sorted({name for name in names if names.count(name) > 1})
    if doubled:
        raise RequestInvalid(f"Body name given twice: {', '.join(doubled)}.", advice="Give every body its own name.")
    for body in bodies:
        take_upload(session, caller, body.upload_id)
    return [body.model_dump() for body in bodies]

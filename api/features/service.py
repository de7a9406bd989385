"""The detection of a revision's features in the database, and its list in the store."""

from __future__ import annotations

from sqlalchemy.orm import Session

from api.backpressure import check_queue
from api.jobs import classify, remind_workers
from api.parts.service import detection_id, get_revision, new_detection
from api.resources import Caller, Resources
from shared.errors import FeaturesNotReady
from shared.feature_list import FeatureList
from shared.filestore import FileStore
from shared.states import InspectionState
from shared.tables import FeatureDetection, Revision

FEATURES_FILE = "features.json"


def detection_of(
    resources: Resources, caller: Caller, part_id: str, revision_id: str
) -> tuple[Revision, FeatureDetection]:
    """A revision and the detection of its features, queued now if the revision is older than detection.

    Raises NotFound, QueueFull.
    """
    with resources.database.reading() as session:
        revision, row = _both(session, caller, part_id, revision_id)
    if row is not None:
        return revision, row
    with resources.database.writing() as session:
        session.get_one(Revision, revision_id, with_for_update=True)  # of two callers at once, one queues it
        revision, row = _both(session, caller, part_id, revision_id)
        if row is not None:
            return revision, row
        check_queue(session, resources.settings)
        row = new_detection(caller, revision)
        session.add(row)
        classify(session, resources.settings, row)
    remind_workers(resources, row.id)
    return revision, row


def read_list(store: FileStore, row: FeatureDetection) -> FeatureList | None:
    """The list a finished detection left, None before."""
    if row.state != InspectionState.DONE or row.report_key is None:
        return None
    return FeatureList.model_validate_json(store.local_path(f"{row.report_key}/{FEATURES_FILE}").read_bytes())


def ready_list(store: FileStore, row: FeatureDetection) -> FeatureList:
    """The list; raises FeaturesNotReady."""
    listed = read_list(store, row)
    if listed is None:
        raise FeaturesNotReady(
            f"The features of revision {row.revision_id} are not listed: their detection is {row.state}.",
            advice="Ask again in a moment." if row.error is None else row.error["advice"],
            state=row.state,
        )
    return listed


def _both(session: Session, caller: Caller, part_id: str, revision_id: str) -> tuple[Revision, FeatureDetection | None]:
    revision = get_revision(session, caller, revision_id, part_id)
    return revision, session.get(FeatureDetection, detection_id(revision_id))

"""Every operation of the interface, asked by everyone: the exact status each gets.

The operations come from the description of the interface, what is expected of them from the table
here, written by hand; an operation without a line in it fails.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pytest

from shared.access import Scope
from tests.support.access import Keyed, Operation, described_operations, furnish, keyed_service, request_for

READ, WRITE, SHARE, ADMIN = (scope.value for scope in (Scope.READ, Scope.WRITE, Scope.SHARE, Scope.ADMIN))
# operation: what it needs, what who has that gets, what a key of another workspace gets
EXPECTED: dict[str, tuple[str | None, int, int]] = {
    "tus_options": (None, 204, 204),
    "tus_create": (WRITE, 201, 201),
    "tus_head": (WRITE, 200, 404),
    "tus_patch": (WRITE, 204, 404),
    "tus_delete": (WRITE, 204, 404),
    "create_upload": (WRITE, 201, 201),
    "read_upload": (READ, 200, 404),
    "read_content": (READ, 200, 404),
    "create_part": (WRITE, 201, 201),
    "list_parts": (READ, 200, 200),
    "read_part": (READ, 200, 404),
    "hold_part": (WRITE, 200, 404),
    "create_revision": (WRITE, 201, 404),
    "list_revisions": (READ, 200, 404),
    "read_revision": (READ, 200, 404),
    "list_features": (READ, 200, 404),
    "draft_plan_of": (READ, 409, 404),  # no worker has found the features yet
    "create_from_form": (WRITE, 202, 202),
    "read_report": (READ, 200, 404),
    "read_report_json": (READ, 200, 404),
    "read_report_html": (READ, 200, 404),
    "read_attachment": (READ, 200, 404),
    "follow_inspection": (READ, 200, 404),
    "create_inspection": (WRITE, 202, 404),
    "list_inspections": (READ, 200, 200),
    "read_inspection": (READ, 200, 404),
    "hold_inspection": (WRITE, 200, 404),
    "cancel_inspection": (WRITE, 202, 404),
    "compare_inspections": (READ, 200, 404),
    "create_link": (SHARE, 201, 404),
    "list_links": (SHARE, 200, 404),
    "read_link": (SHARE, 200, 404),
    "revoke_link": (SHARE, 200, 404),
    "list_remarks": (READ, 200, 404),
    "add_remark": (WRITE, 201, 404),
    "check_remarks": (READ, 200, 404),
    "create_subscription": (ADMIN, 201, 201),
    "list_subscriptions": (ADMIN, 200, 200),
    "read_subscription": (ADMIN, 200, 404),
    "change_subscription": (ADMIN, 200, 404),
    "delete_subscription": (ADMIN, 204, 404),
    "change_secret": (ADMIN, 200, 404),
    "send_test_message": (ADMIN, 202, 404),
    "list_deliveries": (ADMIN, 200, 404),
    "send_again": (ADMIN, 202, 404),
    "create_key": (ADMIN, 201, 201),
    "list_keys": (ADMIN, 200, 200),
    "read_key": (ADMIN, 200, 404),
    "rotate_key": (ADMIN, 201, 404),
    "revoke_key": (ADMIN, 200, 404),
    "list_audit": (ADMIN, 200, 200),
    "live": (None, 200, 200),
    "ready": (None, 200, 200),
    "metrics": (None, 401, 401),  # figures of all workspaces: for who has the token of the settings, and nobody else
    "plan_schema": (None, 200, 200),
    "report_schema": (None, 200, 200),
    "features_schema": (None, 200, 200),
}
NOBODY = (None, "malformed", "expired", "revoked")
ONE_SCOPE = tuple(scope.value for scope in Scope)
CALLERS = (*NOBODY, *ONE_SCOPE, "everything", "other workspace")
USED_UP = {"tus_patch", "tus_delete", "cancel_inspection", "rotate_key", "revoke_key", "delete_subscription"}
OPERATIONS = described_operations()


@pytest.fixture(scope="module")
def keyed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Keyed]:
    with keyed_service(tmp_path_factory.mktemp("access")) as keyed:
        yield keyed


@pytest.fixture(scope="module")
def lasting(keyed: Keyed) -> dict[str, str]:
    return furnish(keyed)


def ids_for(operation: Operation, expected: int, keyed: Keyed, lasting: Mapping[str, str]) -> Mapping[str, str]:
    """Things of its own for an operation that is granted and uses them up."""
    return furnish(keyed) if operation.name in USED_UP and expected < 400 else lasting


def expected_of(operation: Operation, caller: str | None) -> int:
    scope, granted, elsewhere = EXPECTED[operation.name]
    if scope is None or caller == "everything":
        return granted
    if caller in NOBODY:
        return 401
    if caller == "other workspace":
        return elsewhere
    return granted if caller == scope else 403


@pytest.mark.parametrize("caller", CALLERS, ids=str)
@pytest.mark.parametrize("operation", OPERATIONS, ids=lambda one: one.name)
def test_everyone_gets_exactly_what_is_theirs(
    operation: Operation, caller: str | None, keyed: Keyed, lasting: dict[str, str]
) -> None:
    expected = expected_of(operation, caller)
    ids = ids_for(operation, expected, keyed, lasting)
    request = request_for(operation.name, ids)
    answer = keyed.ask(caller, operation.method, operation.path_with(ids), **request)
    assert answer.status_code == expected, answer.text


def test_the_table_and_the_description_name_the_same_operations_and_needs() -> None:
    assert {one.name: one.scope for one in OPERATIONS} == {name: need for name, (need, _, _) in EXPECTED.items()}


def test_nothing_is_changed_by_who_may_only_read() -> None:
    reading = {one.name for one in OPERATIONS if one.scope == READ and one.method != "GET"}
    assert reading == {"compare_inspections"}  # which keeps nothing

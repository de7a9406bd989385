"""Files appear whole or not at all, under names no caller chose."""

from __future__ import annotations

import hashlib
import os
import time
from pathlib import Path

import pytest

from shared.filestore import KeyUnknown, LocalFileStore, PartialBusy
from tests.support.stores import check_that_it_keeps_a_committed_file, content, files_in


@pytest.fixture
def store(tmp_path: Path) -> LocalFileStore:
    return LocalFileStore(tmp_path)


def test_a_committed_file_is_there_with_its_hash(store: LocalFileStore) -> None:
    check_that_it_keeps_a_committed_file(store)


def test_an_uncommitted_file_leaves_nothing(store: LocalFileStore, tmp_path: Path) -> None:
    with store.new_file() as writer:
        writer.write(b"half")
    assert files_in(tmp_path) == []


def test_a_deleted_file_is_gone_and_may_be_deleted_again(store: LocalFileStore) -> None:
    with store.new_file() as writer:
        key = writer.commit().key
    store.delete(key)
    store.delete(key)
    with pytest.raises(KeyUnknown):
        store.read(key)


@pytest.mark.parametrize(
    "key", ["../etc/passwd", "uploads/../../etc", "/etc/passwd", "uploads/.hidden", "", "uploads//x"]
)
def test_a_key_cannot_leave_the_store(store: LocalFileStore, key: str) -> None:
    with pytest.raises(ValueError, match="not a storage key"):
        store.local_path(key)


def test_a_folder_is_published_in_one_step(store: LocalFileStore, tmp_path: Path) -> None:
    aside = store.new_folder()
    (aside / "report.json").write_text("{}")
    key = store.publish_folder(aside, "reports/insp_1/1")
    assert (store.local_path(key) / "report.json").read_text() == "{}"
    assert list((tmp_path / "aside").iterdir()) == []


def test_a_published_folder_is_never_replaced(store: LocalFileStore) -> None:
    for text in ("first", "second"):
        aside = store.new_folder()
        (aside / "report.json").write_text(text)
        store.publish_folder(aside, "reports/insp_1/1")
    assert content(store, "reports/insp_1/1/report.json") == b"first"


def test_only_a_folder_of_the_store_can_be_published(
    store: LocalFileStore, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with pytest.raises(ValueError, match="new_folder"):
        store.publish_folder(tmp_path_factory.mktemp("elsewhere"), "reports/insp_1/1")


def test_a_partial_file_goes_on_where_it_is_told(store: LocalFileStore) -> None:
    key = store.new_partial()
    with store.append_to_partial(key, 0) as writer:
        writer.write(b"abcdef")
        writer.sync()
    with store.append_to_partial(key, 3) as writer:  # the row knew of three bytes only when the power went
        writer.write(b"DEF")
        assert writer.sync() == 6
    stored = store.finish_partial(key)
    assert content(store, stored.key) == b"abcDEF"
    assert stored.sha256 == hashlib.sha256(b"abcDEF").hexdigest()


def test_a_partial_file_finished_twice_is_one_file(store: LocalFileStore, tmp_path: Path) -> None:
    key = store.new_partial()
    assert store.finish_partial(key) == store.finish_partial(key)
    assert len(files_in(tmp_path)) == 1


def test_two_writers_to_one_partial_file_do_not_mix(store: LocalFileStore) -> None:
    key = store.new_partial()
    with store.append_to_partial(key, 0), pytest.raises(PartialBusy), store.append_to_partial(key, 0):
        pass


def test_a_partial_file_shorter_than_its_row_says_is_unknown(store: LocalFileStore) -> None:
    key = store.new_partial()
    with pytest.raises(KeyUnknown), store.append_to_partial(key, 9):
        pass


def test_sweeping_removes_old_leftovers_only(store: LocalFileStore, tmp_path: Path) -> None:
    old, young = store.new_folder(), store.new_folder()
    (tmp_path / "aside" / "dead").write_text("half a file")
    long_ago = time.time() - 7200
    os.utime(old, (long_ago, long_ago))
    os.utime(tmp_path / "aside" / "dead", (long_ago, long_ago))
    assert store.sweep_aside(3600) == 2
    assert list((tmp_path / "aside").iterdir()) == [young]


def test_a_full_or_read_only_disk_is_noticed(store: LocalFileStore, tmp_path: Path) -> None:
    store.check_writable()
    (tmp_path / "aside").rmdir()
    with pytest.raises(OSError, match="No such file"):
        store.check_writable()

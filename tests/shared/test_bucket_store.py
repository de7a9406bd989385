"""A bucket keeps files as a folder does: whole or not at all.  The server is an emulation (moto), over HTTP."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.bucket_store import PART_BYTES, BucketFileStore
from shared.file_cache import FileCache
from shared.filestore import KeyUnknown, LocalFileStore, StoreAway
from shared.s3_client import s3_client
from shared.settings import Settings
from tests.support.bucket import BUCKET, BucketServer, bucket_server
from tests.support.stores import check_that_it_keeps_a_committed_file, content, files_in

FIFTY_YEARS_S = 50 * 365 * 24 * 3600.0
REPORT = "reports/insp_1/1"


@pytest.fixture(scope="module")
def running() -> Iterator[BucketServer]:
    with bucket_server() as server:
        yield server


@pytest.fixture
def server(running: BucketServer) -> BucketServer:
    client = s3_client(Settings(**running.settings))
    for key in running.stored():
        client.delete_object(Bucket=BUCKET, Key=key)
    return running


@pytest.fixture
def store(server: BucketServer, tmp_path: Path) -> BucketFileStore:
    return server.store(tmp_path)


def uploaded(store: BucketFileStore, data: bytes) -> str:
    with store.new_file() as writer:
        writer.write(data)
        return writer.commit().key


def published(store: BucketFileStore, text: str = "{}", key: str = REPORT) -> str:
    aside = store.new_folder()
    (aside / "report.json").write_text(text)
    (aside / "files").mkdir()
    (aside / "files" / "room.csv").write_bytes(b"")
    return store.publish_folder(aside, key)


def test_a_committed_file_is_there_with_its_hash(store: BucketFileStore, tmp_path: Path) -> None:
    check_that_it_keeps_a_committed_file(store)
    assert files_in(tmp_path) == []


def test_an_uncommitted_file_leaves_nothing(store: BucketFileStore, server: BucketServer, tmp_path: Path) -> None:
    with store.new_file() as writer:
        writer.write(b"half")
    assert (files_in(tmp_path), server.stored()) == ([], [])


def test_a_file_of_several_parts_comes_back_as_it_was(store: BucketFileStore) -> None:
    data = os.urandom(PART_BYTES + 1234)
    assert content(store, uploaded(store, data)) == data


@pytest.mark.parametrize(("start", "stop"), [(0, None), (3, None), (3, 5), (0, 1)])
def test_a_range_is_read(store: BucketFileStore, start: int, stop: int | None) -> None:
    assert b"".join(store.read(uploaded(store, b"abcdefgh"), start, stop)) == b"abcdefgh"[start:stop]


def test_a_key_without_object_is_unknown(store: BucketFileStore) -> None:
    with pytest.raises(KeyUnknown):
        store.read("uploads/aa/none")
    with pytest.raises(KeyUnknown):
        store.local_path("uploads/aa/none")


@pytest.mark.parametrize("key", ["../etc/passwd", "uploads/../../etc", "uploads/.hidden", ""])
def test_a_key_cannot_leave_the_store(store: BucketFileStore, key: str) -> None:
    with pytest.raises(ValueError, match="not a storage key"):
        store.local_path(key)


def test_a_deleted_file_is_gone_with_its_copy_and_may_be_deleted_again(store: BucketFileStore, tmp_path: Path) -> None:
    key = uploaded(store, b"x")
    store.local_path(key)
    store.delete(key)
    store.delete(key)
    assert files_in(tmp_path) == []
    with pytest.raises(KeyUnknown):
        store.read(key)


def test_a_folder_is_published_once_and_never_replaced(store: BucketFileStore, tmp_path: Path) -> None:
    key = published(store, "first")
    assert published(store, "second") == key
    assert store.local_path(f"{key}/report.json").read_text() == "first"
    assert store.keys_under(key) == [f"{key}/files/room.csv", f"{key}/report.json"]
    assert content(store, f"{key}/files/room.csv") == b""
    assert list((tmp_path / "aside").iterdir()) == []


def test_a_folder_half_sent_is_sent_again(store: BucketFileStore, server: BucketServer, tmp_path: Path) -> None:
    (tmp_path / "old.json").write_text("half")
    store.put(tmp_path / "old.json", f"{REPORT}/report.json")  # a worker died here
    assert store.local_path(f"{published(store, 'whole')}/report.json").read_text() == "whole"


def test_deleting_a_folder_takes_all_of_it_and_nothing_beside(store: BucketFileStore, server: BucketServer) -> None:
    published(store)
    kept = published(store, key="reports/insp_1/10")
    store.delete(REPORT)
    assert {key.rpartition("/")[0] for key in server.stored()} == {kept, f"{kept}/files"}


def test_a_copy_is_made_where_it_is_wanted_and_can_be_stopped(store: BucketFileStore, tmp_path: Path) -> None:
    key = uploaded(store, b"solid")
    scratch = store.new_folder()
    assert store.local_copy(key, scratch, lambda: None).read_bytes() == b"solid"

    def stop() -> None:
        raise InterruptedError

    with pytest.raises(InterruptedError):
        store.local_copy(key, store.new_folder(), stop)
    assert len(files_in(tmp_path)) == 1


def test_a_copy_is_read_without_asking_again(store: BucketFileStore, server: BucketServer) -> None:
    key = published(store)
    store.local_path(f"{key}/report.json")
    server.stop()
    try:
        assert store.local_path(f"{key}/report.json").read_text() == "{}"
    finally:
        server.start()


def test_a_partial_file_finished_twice_is_one_upload(store: BucketFileStore, server: BucketServer) -> None:
    key = store.new_partial()
    with store.append_to_partial(key, 0) as writer:
        writer.write(b"abcdef")
        writer.sync()
    stored = store.finish_partial(key)
    assert store.finish_partial(key) == stored
    assert (server.stored(), content(store, stored.key)) == ([stored.key], b"abcdef")


def test_a_store_that_is_away_is_named_and_keeps_nothing_half(
    store: BucketFileStore, server: BucketServer, tmp_path: Path
) -> None:
    key = store.new_partial()
    server.stop()
    try:
        with pytest.raises(StoreAway, match="cannot be reached"):
            uploaded(store, b"solid")
        with pytest.raises(StoreAway):
            store.finish_partial(key)
        with pytest.raises(StoreAway):
            store.check_writable()
    finally:
        server.start()
    assert server.stored() == []
    assert [path.parent.name for path in files_in(tmp_path)] == ["partial"]
    assert store.finish_partial(key).size_bytes == 0  # what was received is still there


def test_a_refusal_is_told_without_the_keys(server: BucketServer, tmp_path: Path) -> None:
    wrong = Settings(**{**server.settings, "s3_bucket": "firstpour-other"})
    other = BucketFileStore(LocalFileStore(tmp_path), s3_client(wrong), wrong.s3_bucket)
    with pytest.raises(StoreAway, match="NoSuchBucket") as caught:
        other.put(Path(__file__), "uploads/aa/x")
    assert wrong.s3_secret_access_key not in str(caught.value)


def test_what_is_old_is_found_by_kind(store: BucketFileStore) -> None:
    upload, report = uploaded(store, b"x"), published(store)
    assert (list(store.keys_older_than("uploads", -60)), list(store.keys_older_than("uploads", 60))) == ([upload], [])
    assert list(store.keys_older_than("reports", -60)) == [report]


def test_parts_that_a_crash_left_are_given_up(store: BucketFileStore, server: BucketServer) -> None:
    client = s3_client(Settings(**server.settings))
    client.create_multipart_upload(Bucket=BUCKET, Key="uploads/aa/x")
    ages_s = (FIFTY_YEARS_S, 3600.0, 3600.0)  # the emulation says that every one was begun in 2010
    assert [store.sweep_unfinished(age_s) for age_s in ages_s] == [0, 1, 0]


def test_copies_used_least_lately_make_room_and_old_ones_go(tmp_path: Path) -> None:
    cache = FileCache(tmp_path / "cache", limit_bytes=10)
    for number, age_s in enumerate((5000, 9000, 0)):
        whole = tmp_path / "whole"
        whole.write_bytes(b"12345")
        path = cache.add(whole, f"reports/{number}")
        os.utime(path, (time.time() - age_s,) * 2)
    last = tmp_path / "whole"
    last.write_bytes(b"12345")
    cache.add(last, "reports/3")
    assert [cache.find(f"reports/{number}") is not None for number in range(4)] == [False, False, True, True]
    assert (cache.sweep(60), cache.sweep(-60)) == (0, 2)

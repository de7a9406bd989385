"""What every file store keeps, whichever it is."""

from __future__ import annotations

import hashlib
from pathlib import Path

from shared.filestore import FileStore


def content(store: FileStore, key: str) -> bytes:
    """All bytes of a file."""
    return b"".join(store.read(key))


def files_in(folder: Path) -> list[Path]:
    """All files in a folder and its folders."""
    return [path for path in folder.rglob("*") if path.is_file()]


def check_that_it_keeps_a_committed_file(store: FileStore) -> None:
    """Written in two pieces, it is there as it was sent, and with its hash."""
    with store.new_file() as writer:
        writer.write(b"solid ")
        writer.write(b"head")
        stored = writer.commit()
    assert content(store, stored.key) == b"solid head"
    assert (stored.size_bytes, stored.sha256) == (10, hashlib.sha256(b"solid head").hexdigest())

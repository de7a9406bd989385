"""Receiving files: streamed to the disk with a running count and hash, a megabyte in memory at a time."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import AsyncIterator, Callable
from email.message import Message
from functools import partial
from typing import Any, Protocol, TypeVar
from urllib.parse import unquote

from anyio import to_thread
from sqlalchemy.orm import Session
from starlette.requests import ClientDisconnect

from api.backpressure import storage_full
from api.quotas import check_bytes
from api.resources import Caller
from shared import audit
from shared.errors import FileEmpty, FileSwept, FileTooLarge, NotFound
from shared.file_writers import StoredFile
from shared.filestore import FileStore, FileWriter, is_disk_full
from shared.tables import Upload, new_id

MIB = 1024 * 1024
BUFFER_BYTES = MIB  # one trip to a thread a megabyte; 64 KiB pieces, as they arrive, would be 16 times as many
NAME_LIMIT = 200
UNNAMED = "unnamed"
T = TypeVar("T")


async def receive_file(chunks: AsyncIterator[bytes], store: FileStore, name: str, limit_bytes: int) -> StoredFile:
    """Stream one file into the store; a caller who goes away midway leaves nothing.

    Raises
    ------
    FileEmpty, FileTooLarge, StorageFull
        Naming the file.

    """
    with store.new_file() as writer:
        async for buffer in buffered(chunks):
            await write_limited(writer, buffer, name, limit_bytes)
        if writer.size_bytes == 0:
            raise empty(name)
        return await on_disk(writer.commit)


async def write_limited(writer: FileWriter, buffer: bytes, name: str, limit_bytes: int) -> None:
    """Append, within the limit."""
    if writer.size_bytes + len(buffer) > limit_bytes:
        raise too_large(name, limit_bytes)
    await on_disk(partial(writer.write, buffer))


async def buffered(chunks: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    """The same bytes in larger pieces; when the line breaks, what came before comes out before the exception."""
    buffer = bytearray()
    try:
        async for chunk in chunks:
            buffer += chunk
            if len(buffer) >= BUFFER_BYTES:
                yield bytes(buffer)
                buffer.clear()
    except ClientDisconnect:
        if buffer:
            yield bytes(buffer)
        raise
    if buffer:
        yield bytes(buffer)


async def on_disk(work: Callable[[], T]) -> T:
    """Run disk work in a thread, telling a full disk from a fault of ours."""
    try:
        return await to_thread.run_sync(work)
    except OSError as error:
        if is_disk_full(error):
            raise storage_full("The server's disk is full.") from error
        raise


class Owner(Protocol):
    """Whose a file is: the caller who sends it, or the row that says who began to send it."""

    @property
    def workspace_id(self) -> Any:
        """The workspace."""

    @property
    def key_id(self) -> Any:
        """The key it counts against, None where no keys are used."""


def add_upload(session: Session, owner: Owner, stored: StoredFile, name: str) -> Upload:
    """Make a stored file an upload."""
    upload = Upload(
        id=new_id("up"),
        workspace_id=owner.workspace_id,
        key_id=owner.key_id,
        file_name=name,
        size_bytes=stored.size_bytes,
        sha256=stored.sha256,
        storage_key=stored.key,
    )
    session.add(upload)
    session.flush()
    return upload


def keep_upload(session: Session, caller: Caller, stored: StoredFile, name: str) -> Upload:
    """An upload the caller sent whole, within the room of the key; raises StorageQuotaReached."""
    check_bytes(session, caller, stored.size_bytes)
    upload = add_upload(session, caller, stored, name)
    note_upload(session, caller, upload)
    return upload


def note_upload(session: Session, caller: Caller, upload: Upload) -> None:
    """Into the audit log."""
    details = {"file": upload.file_name, "size_bytes": upload.size_bytes, "sha256": upload.sha256}
    audit.note(session, caller, "upload.received", upload.id, **details)


def get_upload(session: Session, caller: Caller, upload_id: str) -> Upload:
    """One upload of the caller's workspace; raises NotFound."""
    upload = session.get(Upload, upload_id)
    if upload is None or upload.workspace_id != caller.workspace_id:
        raise NotFound(f"There is no upload {upload_id}.", advice="Send the file to /v1/uploads first.", id=upload_id)
    return upload


def take_upload(session: Session, caller: Caller, upload_id: str) -> Upload:
    """One upload of the caller's workspace to order something with, kept from being swept until this transaction ends.

    Raises NotFound, FileSwept.
    """
    lock = {"read": True, "key_share": True}  # waits for a sweep that looks at it; SQLite's writers take turns anyway
    session.get(Upload, upload_id, with_for_update=lock, populate_existing=True)
    return with_its_bytes(get_upload(session, caller, upload_id))


def with_its_bytes(upload: Upload) -> Upload:
    """The same upload; raises FileSwept when only its row is left."""
    if upload.swept_at is not None:
        raise FileSwept(
            f"{upload.file_name} was deleted on {upload.swept_at:%Y-%m-%d}: nothing kept here needed it any more.",
            advice="Send the file again.",
            id=upload.id,
        )
    return upload


def display_name(given: str | None) -> str:
    """A sender's name for a file as text to show: no folders, no control characters, not too long."""
    if given is None:
        return UNNAMED
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", given))[-1]
    shown = "".join(letter for letter in last if unicodedata.category(letter)[0] != "C").strip()
    stem, dot, ending = shown.rpartition(".")
    if len(shown) > NAME_LIMIT and dot and len(ending) < 10:
        shown = f"{stem[: NAME_LIMIT - len(ending) - 1]}.{ending}"
    return shown[:NAME_LIMIT] or UNNAMED


def name_in_disposition(header: str | None) -> str | None:
    """File name of a Content-Disposition header, plain or RFC 5987."""
    if header is None:
        return None
    message = Message()
    message["Content-Disposition"] = header
    name = message.get_filename()
    return unquote(name) if name and "%" in name else name


def empty(name: str) -> FileEmpty:
    """Nothing came."""
    return FileEmpty(f"{name} has no content (0 bytes).", file=name, advice="Check the file and send it again.")


def too_large(name: str, limit_bytes: int) -> FileTooLarge:
    """More than the limit."""
    return FileTooLarge(
        f"{name} is larger than the limit of {limit_bytes / MIB:.0f} MiB.",
        file=name,
        advice="Send a binary format or a coarser export, or have FIRSTPOUR_UPLOAD_LIMIT_BYTES raised.",
        limit_bytes=limit_bytes,
    )

"""Resumable uploads in the database and on the disk, by the open protocol tus 1.0.

The row's offset is what is known to be on the disk.  It moves forward only after the bytes were
flushed, at the latest every CHECKPOINT_BYTES; before anything is appended the file is cut back to
it.  So neither a killed server nor a power cut can leave bytes twice in the file or a hole in it.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import timedelta
from functools import partial

from sqlalchemy import select, update
from starlette.requests import ClientDisconnect

from api.backpressure import check_disk
from api.quotas import check_bytes
from api.resources import Caller, Resources
from api.uploads.service import Owner, add_upload, buffered, display_name, empty, note_upload, on_disk, too_large
from shared.errors import ChecksumMismatch, Conflict, NotFound, RequestInvalid, UploadBusy, UploadExpired
from shared.file_writers import PartialWriter
from shared.filestore import KeyUnknown, PartialBusy
from shared.tables import PartialUpload, new_id, utc_now

KEPT = timedelta(hours=24)  # after the last byte; a shop that loses its line comes back the next morning
CHECKPOINT_BYTES = 64 * 1024 * 1024  # what a kill can cost; a flush a second on a 100 MB/s disk
ADVICE_AGAIN = "Begin again with POST /v1/uploads/tus."


@dataclass(frozen=True)
class Checksum:
    """What one PATCH should hash to."""

    algorithm: str
    digest: bytes


@dataclass(frozen=True)
class Piece:
    """One PATCH: where it begins, its bytes, and what they should hash to."""

    offset_bytes: int
    body: AsyncIterator[bytes]
    checksum: Checksum | None = None


def create_partial(resources: Resources, caller: Caller, size_bytes: int, metadata: dict[str, str]) -> PartialUpload:
    """A new resumable upload; its ``sha256`` in the metadata, if given, is checked at the end."""
    name = display_name(metadata.get("filename") or metadata.get("name"))
    if size_bytes == 0:
        raise empty(name)
    limit_bytes = resources.settings.upload_limit_bytes
    if size_bytes > limit_bytes:
        raise too_large(name, limit_bytes)
    check_disk(resources, size_bytes)
    row = PartialUpload(
        id=new_id("part_up"),
        workspace_id=caller.workspace_id,
        key_id=caller.key_id,
        file_name=name,
        size_bytes=size_bytes,
        offset_bytes=0,
        sha256=_announced_hash(metadata.get("sha256")),
        storage_key=resources.store.new_partial(),
        expires_at=utc_now() + KEPT,
    )
    with resources.database.writing() as session:
        check_bytes(session, caller, size_bytes)
        session.add(row)
    return row


def get_partial(resources: Resources, owner: Owner, partial_id: str) -> PartialUpload:
    """Where a resumable upload of that workspace stands; raises NotFound and UploadExpired."""
    with resources.database.reading() as session:
        row = session.get(PartialUpload, partial_id)
    if row is None or row.workspace_id != owner.workspace_id:
        raise NotFound(f"There is no resumable upload {partial_id}.", advice=ADVICE_AGAIN, id=partial_id)
    if row.upload_id is None and row.expires_at < utc_now():
        raise UploadExpired(f"The resumable upload {partial_id} was left too long.", advice=ADVICE_AGAIN, id=partial_id)
    return row


async def append(resources: Resources, caller: Caller, row: PartialUpload, piece: Piece) -> PartialUpload:
    """Append the body of one PATCH, and finish the upload when that was the last of it.

    Raises
    ------
    Conflict, UploadBusy, RequestInvalid, ChecksumMismatch, StorageFull, ClientDisconnect
        Whatever was written before, except of a body with a wrong checksum, is kept.

    """
    if piece.offset_bytes != row.offset_bytes:
        raise Conflict(
            f"This upload stands at byte {row.offset_bytes}, not {piece.offset_bytes}.",
            advice="Ask with HEAD where to go on.",
            offset_bytes=row.offset_bytes,
        )
    if row.offset_bytes == row.size_bytes:  # all is there; at most the end was missed by a crash
        return await on_disk(lambda: _finished(resources, caller, row))
    check_disk(resources)
    try:
        with resources.store.append_to_partial(row.storage_key, row.offset_bytes) as writer:
            if _fresh_offset(resources, row) != row.offset_bytes:  # another PATCH finished while we asked for the lock
                raise Conflict("Another request wrote to this upload.", advice="Ask with HEAD where to go on.")
            await _write(resources, row, writer, piece)
            return await on_disk(lambda: _finished(resources, caller, row))
    except PartialBusy as error:
        raise UploadBusy(
            "Another request is writing to this upload.", advice="Wait for it, then ask with HEAD."
        ) from error
    except KeyUnknown as error:
        raise NotFound("This upload is no longer on the disk.", advice=ADVICE_AGAIN) from error


def drop_partial(resources: Resources, caller: Caller, partial_id: str) -> None:
    """Forget a resumable upload; a finished one keeps its file."""
    row = get_partial(resources, caller, partial_id)
    _drop(resources, row)


def drop_expired(resources: Resources) -> int:
    """Forget all that were left too long; how many."""
    with resources.database.reading() as session:
        rows = session.scalars(select(PartialUpload).where(PartialUpload.expires_at < utc_now())).all()
    for row in rows:
        _drop(resources, row)
    return len(rows)


async def _write(resources: Resources, row: PartialUpload, writer: PartialWriter, piece: Piece) -> None:
    checksum = piece.checksum
    started, digest = writer.offset_bytes, hashlib.new(checksum.algorithm) if checksum else None
    unsaved = 0
    try:
        async for buffer in buffered(_within(piece.body, row.size_bytes - started)):
            await on_disk(partial(writer.write, buffer))
            unsaved += len(buffer)
            if digest is not None:
                digest.update(buffer)
            elif unsaved >= CHECKPOINT_BYTES:
                await _checkpoint(resources, row.id, writer)
                unsaved = 0
        if checksum is not None and digest is not None and digest.digest() != checksum.digest:
            writer.rewind(started)
            raise ChecksumMismatch("These bytes do not have the checksum announced.", advice="Send them again.")
        await _checkpoint(resources, row.id, writer)
    except (ClientDisconnect, RequestInvalid):
        if digest is None:
            await _checkpoint(resources, row.id, writer)
        raise
    finally:
        resources.metrics.upload_bytes.labels("tus").inc(writer.offset_bytes - started)


async def _within(body: AsyncIterator[bytes], room_bytes: int) -> AsyncIterator[bytes]:
    async for chunk in body:
        room_bytes -= len(chunk)
        if room_bytes < 0:
            raise RequestInvalid("More bytes came than Upload-Length announced.", advice=ADVICE_AGAIN)
        yield chunk


async def _checkpoint(resources: Resources, partial_id: str, writer: PartialWriter) -> None:
    await on_disk(lambda: _save_offset(resources, partial_id, writer.sync()))


def _save_offset(resources: Resources, partial_id: str, offset_bytes: int) -> None:
    with resources.database.writing() as session:
        values = {"offset_bytes": offset_bytes, "expires_at": utc_now() + KEPT}
        session.execute(update(PartialUpload).where(PartialUpload.id == partial_id).values(**values))


def _fresh_offset(resources: Resources, row: PartialUpload) -> int:
    return get_partial(resources, row, row.id).offset_bytes


def _finished(resources: Resources, caller: Caller, seen: PartialUpload) -> PartialUpload:
    """The row as it is now; when all bytes are there, an upload is made of them first."""
    row = get_partial(resources, seen, seen.id)
    if row.offset_bytes < row.size_bytes or row.upload_id is not None:
        return row
    stored = resources.store.finish_partial(row.storage_key)
    if row.sha256 is not None and stored.sha256 != row.sha256:
        resources.store.delete(stored.key)
        _drop(resources, row)
        raise ChecksumMismatch(
            f"{row.file_name} arrived with another SHA-256 than announced.",
            advice=ADVICE_AGAIN,
            announced=row.sha256,
            received=stored.sha256,
        )
    with resources.database.writing() as session:
        kept = session.get_one(PartialUpload, row.id)
        if kept.upload_id is None:
            upload = add_upload(session, row, stored, row.file_name)  # counts against the key that began it
            note_upload(session, caller, upload)
            kept.upload_id = upload.id
        return kept


def _drop(resources: Resources, row: PartialUpload) -> None:
    with resources.database.writing() as session:
        found = session.get(PartialUpload, row.id)
        if found is not None:
            session.delete(found)
    if row.upload_id is None:
        resources.store.delete(row.storage_key)


def _announced_hash(text: str | None) -> str | None:
    if text is None:
        return None
    if len(text) != hashlib.sha256().digest_size * 2 or set(text.lower()) - set("0123456789abcdef"):
        raise RequestInvalid(
            "sha256 in Upload-Metadata must be 64 hexadecimal digits.", advice="Correct it or leave it out."
        )
    return text.lower()


def read_metadata(header: str | None) -> dict[str, str]:
    """Upload-Metadata: ``key base64, key base64``."""
    found: dict[str, str] = {}
    for item in filter(None, (piece.strip() for piece in (header or "").split(","))):
        key, _, value = item.partition(" ")
        found[key] = _from_base64(value, "Upload-Metadata").decode("utf-8", "replace")
    return found


def read_checksum(header: str | None) -> Checksum | None:
    """Upload-Checksum: ``sha1 base64``."""
    if header is None:
        return None
    algorithm, _, value = header.partition(" ")
    if algorithm not in CHECKSUMS:
        raise RequestInvalid(f"The checksum {algorithm!r} is not known.", advice=f"Use one of {', '.join(CHECKSUMS)}.")
    return Checksum(algorithm, _from_base64(value, "Upload-Checksum"))


CHECKSUMS = ("sha1", "sha256")  # sha1 because the protocol asks every server for it; it guards against accidents only


def _from_base64(value: str, header: str) -> bytes:
    try:
        return base64.b64decode(value.strip(), validate=True)
    except ValueError as error:
        raise RequestInvalid(
            f"{header} is not base64.", advice="See https://tus.io/protocols/resumable-upload."
        ) from error

"""Endpoints of the open protocol tus 1.0: core, creation, expiration, checksum, termination."""

from __future__ import annotations

from email.utils import format_datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Request
from starlette.responses import Response

from api.admission import GuardedRoute
from api.problems import declared
from api.resources import NeedsResources, Public, Writer, let_in
from api.uploads import resumable
from api.uploads.resumable import Piece
from shared.errors import (
    ChecksumMismatch,
    Conflict,
    FileEmpty,
    FileTooLarge,
    FirstpourError,
    MediaTypeUnsupported,
    NotFound,
    ProtocolVersionUnsupported,
    RequestInvalid,
    StorageFull,
    StorageQuotaReached,
    UploadBusy,
    UploadExpired,
)
from shared.tables import PartialUpload

VERSION = "1.0.0"
ADDRESS = "/v1/uploads/tus"
OFFSET_TYPE = "application/offset+octet-stream"
UPLOAD_ID_HEADER = "Firstpour-Upload-Id"
EVERY_ANSWER = {"Tus-Resumable": VERSION}
Count = Annotated[int, Header(ge=0, examples=[1048576])]
PATCH_ERRORS: tuple[type[FirstpourError], ...] = (
    ChecksumMismatch, Conflict, MediaTypeUnsupported, NotFound, ProtocolVersionUnsupported, RequestInvalid,
    StorageFull, UploadBusy, UploadExpired,
)  # fmt: skip


def spoken_version(tus_resumable: Annotated[str | None, Header(examples=[VERSION])] = None) -> None:
    """Refuse another version of the protocol, as it demands."""
    if tus_resumable != VERSION:
        raise ProtocolVersionUnsupported(
            f"This server speaks tus {VERSION}, the request says {tus_resumable!r}.",
            advice=f"Send the header Tus-Resumable: {VERSION}.",
            spoken=VERSION,
        )


router = APIRouter(route_class=GuardedRoute, prefix=ADDRESS, tags=["resumable uploads"])
SpeaksTus = Depends(spoken_version)


@router.options("", status_code=204, dependencies=[Public], summary="What this server can of tus")
def tus_options(resources: NeedsResources) -> Response:
    """Version, extensions, limits."""
    headers = {
        **EVERY_ANSWER,
        "Tus-Version": VERSION,
        "Tus-Extension": "creation,expiration,checksum,termination",
        "Tus-Checksum-Algorithm": ",".join(resumable.CHECKSUMS),
        "Tus-Max-Size": str(resources.settings.upload_limit_bytes),
    }
    return Response(status_code=204, headers=headers)


@router.post(
    "",
    status_code=201,
    response_class=Response,
    dependencies=[SpeaksTus],
    summary="Begin a resumable upload",
    responses=declared(
        FileEmpty, FileTooLarge, ProtocolVersionUnsupported, RequestInvalid, StorageFull, StorageQuotaReached
    ),
)
def tus_create(
    caller: Writer,
    resources: NeedsResources,
    upload_length: Count,
    upload_metadata: Annotated[str | None, Header(max_length=8192, examples=["filename aGVhZC5zdGVw"])] = None,
) -> Response:
    """``filename`` in the metadata names the file; ``sha256``, if given, is checked at the end."""
    row = resumable.create_partial(resources, caller, upload_length, resumable.read_metadata(upload_metadata))
    return Response(status_code=201, headers={**_headers(row), "Location": f"{ADDRESS}/{row.id}"})


@router.head(
    "/{partial_id}",
    response_class=Response,
    dependencies=[SpeaksTus],
    summary="Ask where a resumable upload stands",
    responses=declared(NotFound, ProtocolVersionUnsupported, UploadExpired),
)
def tus_head(partial_id: str, caller: Writer, resources: NeedsResources) -> Response:
    """Upload-Offset is the byte to go on from."""
    row = resumable.get_partial(resources, caller, partial_id)
    return Response(headers={**_headers(row), "Upload-Length": str(row.size_bytes), "Cache-Control": "no-store"})


def standing(partial_id: str, caller: Writer, resources: NeedsResources) -> PartialUpload:
    """The resumable upload as it stands."""
    return resumable.get_partial(resources, caller, partial_id)


@router.patch(
    "/{partial_id}",
    status_code=204,
    dependencies=[SpeaksTus],
    summary="Go on with a resumable upload",
    responses=declared(*PATCH_ERRORS),
    openapi_extra={
        "requestBody": {"required": True, "content": {OFFSET_TYPE: {"example": "the bytes from Upload-Offset on"}}}
    },
)
async def tus_patch(
    row: Annotated[PartialUpload, Depends(standing)],
    request: Request,
    resources: NeedsResources,
    upload_offset: Count,
    upload_checksum: Annotated[str | None, Header(max_length=200)] = None,
) -> Response:
    """The answer to the last piece carries the id of the upload in Firstpour-Upload-Id."""
    if request.headers.get("content-type") != OFFSET_TYPE:
        raise MediaTypeUnsupported(f"The body must be {OFFSET_TYPE}.", advice="Send that Content-Type.")
    piece = Piece(upload_offset, request.stream(), resumable.read_checksum(upload_checksum))
    caller = let_in(request)
    row = await resumable.append(resources, caller, row, piece)
    return Response(status_code=204, headers=_headers(row))


@router.delete(
    "/{partial_id}",
    status_code=204,
    dependencies=[SpeaksTus],
    summary="Give up a resumable upload",
    responses=declared(NotFound, ProtocolVersionUnsupported, UploadExpired),
)
def tus_delete(partial_id: str, caller: Writer, resources: NeedsResources) -> Response:
    """Its bytes are deleted; of a finished upload nothing is."""
    resumable.drop_partial(resources, caller, partial_id)
    return Response(status_code=204, headers=EVERY_ANSWER)


def _headers(row: PartialUpload) -> dict[str, str]:
    headers = {**EVERY_ANSWER, "Upload-Offset": str(row.offset_bytes)}
    if row.upload_id is None:
        headers["Upload-Expires"] = format_datetime(row.expires_at, usegmt=True)
    else:
        headers[UPLOAD_ID_HEADER] = row.upload_id
    return headers

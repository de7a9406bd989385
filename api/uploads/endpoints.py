"""Uploads: a raw body in, a file out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Header, Query, Request
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response, StreamingResponse

from api.admission import GuardedRoute
from api.backpressure import check_disk
from api.idempotency import Key, claim_for
from api.problems import declared
from api.resources import NeedsResources, Reader, Writer
from api.serving import Content, content_response
from api.uploads.receiving import keep_or_drop, refuse_beyond_quota
from api.uploads.schemas import UploadOut, upload_out
from api.uploads.service import (
    display_name,
    get_upload,
    keep_upload,
    name_in_disposition,
    receive_file,
    too_large,
    with_its_bytes,
)
from shared.errors import (
    FileEmpty,
    FileSwept,
    FileTooLarge,
    IdempotencyKeyReused,
    MediaTypeUnsupported,
    NotFound,
    RequestInvalid,
    StorageFull,
    StorageQuotaReached,
)

router = APIRouter(route_class=GuardedRoute, prefix="/v1/uploads", tags=["uploads"])
RAW_BODY = {
    "requestBody": {
        "required": True,
        "content": {
            "application/octet-stream": {
                "schema": {"type": "string", "format": "binary"},
                "example": "solid head_scan ...",
            }
        },
    }
}


def shown_name(
    name: Annotated[str | None, Query(max_length=1000, examples=["head_scan.stl"])] = None,
    content_disposition: Annotated[str | None, Header(examples=['attachment; filename="head_scan.stl"'])] = None,
) -> str:
    """What the sender calls the file."""
    return display_name(name or name_in_disposition(content_disposition))


@router.post(
    "",
    status_code=201,
    response_model=UploadOut,
    summary="Send a file as the raw body",
    responses=declared(
        FileEmpty,
        FileTooLarge,
        IdempotencyKeyReused,
        MediaTypeUnsupported,
        RequestInvalid,
        StorageFull,
        StorageQuotaReached,
    ),
    openapi_extra=RAW_BODY,
)
async def create_upload(
    request: Request,
    caller: Writer,
    resources: NeedsResources,
    shown: Annotated[str, Depends(shown_name)],
    key: Key = None,
) -> Response:
    """Stream the body to the disk.  ``curl -T head.step 'http://127.0.0.1:8650/v1/uploads?name=head.step' -X POST``."""
    _refuse_forms(request)
    limit_bytes = resources.settings.upload_limit_bytes
    announced_bytes = int(request.headers.get("content-length", "0"))
    if announced_bytes > limit_bytes:
        raise too_large(shown, limit_bytes)
    check_disk(resources, announced_bytes)
    await run_in_threadpool(refuse_beyond_quota, resources, caller, announced_bytes)
    stored = await receive_file(request.stream(), resources.store, shown, limit_bytes)
    resources.metrics.upload_bytes.labels("raw").inc(stored.size_bytes)

    def make(session: Session) -> dict[str, object]:
        return upload_out(keep_upload(session, caller, stored, shown)).model_dump(mode="json")

    claim = claim_for(request, caller, key, shown, stored.sha256)
    answer = await run_in_threadpool(keep_or_drop, resources, [stored], claim, make)
    return answer.response()


@router.get(
    "/{upload_id}", response_model=UploadOut, summary="What is known about an upload", responses=declared(NotFound)
)
def read_upload(upload_id: str, caller: Reader, resources: NeedsResources) -> UploadOut:
    """Name, size and hash."""
    with resources.database.reading() as session:
        return upload_out(get_upload(session, caller, upload_id))


@router.get(
    "/{upload_id}/content",
    response_class=StreamingResponse,
    summary="The bytes as received",
    responses={
        **declared(NotFound, FileSwept),
        200: {"content": {"application/octet-stream": {"example": "solid head_scan ..."}}},
    },
)
def read_content(upload_id: str, caller: Reader, request: Request, resources: NeedsResources) -> Response:
    """Always as an attachment: a file of a stranger is never shown as a page."""
    with resources.database.reading() as session:
        upload = with_its_bytes(get_upload(session, caller, upload_id))
    content = Content(upload.storage_key, upload.size_bytes, upload.sha256, upload.file_name)
    return content_response(resources.store, content, request)


def _refuse_forms(request: Request) -> None:
    content_type = request.headers.get("content-type", "")
    if content_type.startswith("multipart/"):
        raise MediaTypeUnsupported(
            "This address takes the file itself as the body, not a form.",
            advice="Send it with curl -T FILE -X POST (or --data-binary @FILE); a form goes to /v1/inspections/form.",
            content_type=content_type[:80],
        )

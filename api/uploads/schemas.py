"""What callers send and get about uploads."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict

from shared.tables import Upload

EXAMPLE_SHA256 = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
EXAMPLE: JsonDict = {
    "id": "up_0b1c2d3e4f5a6b7c8d9e0f1a",
    "file_name": "head_scan.stl",
    "size_bytes": 25_400_084,
    "sha256": EXAMPLE_SHA256,
    "created_at": "2025-01-31T09:30:00Z",
    "links": {
        "self": "/v1/uploads/up_0b1c2d3e4f5a6b7c8d9e0f1a",
        "content": "/v1/uploads/up_0b1c2d3e4f5a6b7c8d9e0f1a/content",
    },
}


class UploadLinks(BaseModel):
    """Where to go on."""

    self: str
    content: str


class UploadOut(BaseModel):
    """One file as received."""

    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE]})

    id: str
    file_name: str = Field(description="As the sender called it; display text only.")
    size_bytes: int
    sha256: str
    created_at: datetime
    links: UploadLinks


def upload_out(upload: Upload) -> UploadOut:
    """An upload as callers see it."""
    address = f"/v1/uploads/{upload.id}"
    return UploadOut(
        id=upload.id,
        file_name=upload.file_name,
        size_bytes=upload.size_bytes,
        sha256=upload.sha256,
        created_at=upload.created_at,
        links=UploadLinks(self=address, content=f"{address}/content"),
    )

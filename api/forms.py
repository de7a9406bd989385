"""Small forms of our own pages, as a browser or curl -d sends them; forms with files are read elsewhere."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import parse_qsl

from fastapi import Depends, Request

from shared.errors import MediaTypeUnsupported, RequestInvalid, RequestTooLarge

MEDIA_TYPE = "application/x-www-form-urlencoded"
LIMIT_BYTES = 64 * 1024  # 4,000 characters, each escaped
FIELD_LIMIT = 10


async def read_fields(request: Request) -> dict[str, str]:
    """Names and values.

    Raises
    ------
    MediaTypeUnsupported, RequestTooLarge, RequestInvalid

    """
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != MEDIA_TYPE:
        raise MediaTypeUnsupported("This takes a form.", advice=f"Send it as {MEDIA_TYPE}, as curl -d does.")
    body = await request.body()
    if len(body) > LIMIT_BYTES:
        raise RequestTooLarge(f"The form has more than {LIMIT_BYTES} bytes.", advice="Shorten it.")
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=FIELD_LIMIT)
    except ValueError as error:
        raise RequestInvalid("The form cannot be read.", advice=f"Send it as {MEDIA_TYPE}, in UTF-8.") from error
    return dict(pairs)


Fields = Annotated[dict[str, str], Depends(read_fields)]

"""The addresses of guests carry a secret: how they are kept from leaking."""

from __future__ import annotations

from collections.abc import Mapping

PREFIX = "/s/"
HEADERS: Mapping[str, str] = {
    "Referrer-Policy": "no-referrer",
    "X-Robots-Tag": "noindex, nofollow, noarchive",
    "Cache-Control": "private, no-store",
}


def is_guest_path(path: str) -> bool:
    """Whether the path holds the token of a share link."""
    return path.startswith(PREFIX)

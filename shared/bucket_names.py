"""What the address of an S3-compatible store and the name of a bucket may look like."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

BUCKET = re.compile(r"[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]")  # Amazon S3 User Guide, "General purpose bucket naming rules"
DIGITS_AND_DOTS = re.compile(r"[0-9.]+")


def endpoint_fault(text: str) -> str | None:
    """What is wrong with the address, None if nothing; an empty one means Amazon's."""
    if not text:
        return None
    try:
        address = urlsplit(text)
        _ = address.port
    except ValueError:
        return "it is no address; give one such as https://store.example:9000"
    if address.scheme not in {"http", "https"} or not address.hostname:
        return "it must begin with http:// or https:// and name a host"
    if address.username or address.password:
        return "it must hold no user name or password; keys have settings of their own"
    if address.path.strip("/") or address.query or address.fragment:
        return "it must end after host and port; the bucket has a setting of its own"
    return None


def bucket_fault(name: str) -> str | None:
    """What is wrong with the name, None if nothing; an empty one means that no bucket is used."""
    if not name:
        return None
    if not BUCKET.fullmatch(name) or ".." in name or DIGITS_AND_DOTS.fullmatch(name):
        return "a bucket has 3 to 63 lower-case letters, digits, hyphens and single dots, and is no IP address"
    return None

"""Access keys: what they are made of, what they allow, and what is kept of them.

A key is ``fp_`` + a public part that is shown in lists + a secret of 256 random bits.  Of the whole
only the SHA-256 is kept.  A password needs a slow hash because it can be guessed; 2^256 random
values cannot, so a fast one gives nothing away and costs no request any time.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from enum import StrEnum
from secrets import token_hex, token_urlsafe

DEFAULT_WORKSPACE = "ws_default"  # of everything made before there were workspaces, and wherever no keys are used
KEY_VARIABLE = "FIRSTPOUR_KEY"  # the key of a program that calls the service; no setting of the service itself
SECRET_BYTES = 32
PUBLIC_PART_BYTES = 5  # 40 bits tell the keys of a service apart; they are unique in the table
KEY_PATTERN = re.compile(r"(fp_[0-9a-f]{10})_[A-Za-z0-9_-]{43}")


class Scope(StrEnum):
    """What a key may do; none includes another."""

    READ = "read"
    WRITE = "write"
    SHARE = "share"
    ADMIN = "admin"


class AccessMode(StrEnum):
    """Who is let in: everybody who reaches the loopback address, or who has a key."""

    OPEN = "open"
    KEYS = "keys"


@dataclass(frozen=True)
class NewSecret:
    """A key just made.  ``text`` is shown once and kept nowhere."""

    text: str
    prefix: str
    sha256: str

    def __repr__(self) -> str:
        return f"NewSecret({self.prefix})"  # never the text: a traceback or a log may show this


def new_secret() -> NewSecret:
    """A key nobody has."""
    prefix = f"fp_{token_hex(PUBLIC_PART_BYTES)}"
    text = f"{prefix}_{token_urlsafe(SECRET_BYTES)}"
    return NewSecret(text, prefix, digest_of(text))


def prefix_of(text: str) -> str | None:
    """The public part of a key, None if it has not the form of one."""
    found = KEY_PATTERN.fullmatch(text)
    return found[1] if found else None


def digest_of(secret: str) -> str:
    """What is kept of a key or a session's token: 64 hexadecimal digits."""
    return hashlib.sha256(secret.encode()).hexdigest()

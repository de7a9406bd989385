"""Passphrases of share links, and the ticket a browser gets for the right one.

A passphrase can be guessed, so it is hashed slowly (scrypt, RFC 7914), with a salt of its own and
the parameters beside it.  The ticket is signed with what only the row and the link's holder know
together, so it needs no table: it dies with the passphrase, the link and its hour.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import unicodedata
from secrets import token_bytes
from threading import BoundedSemaphore

N, R, P = 2**15, 8, 3  # OWASP Password Storage Cheat Sheet (from memory): as hard as N = 2^17, p = 1 in 32 MiB
SALT_BYTES = 16
MEMORY_LIMIT_BYTES = 64 * 1024 * 1024
TICKET_S = 2 * 3600
_at_work = BoundedSemaphore(2)  # 32 MiB and a core each: more at a time would let guessers starve everyone else


def hash_passphrase(passphrase: str) -> str:
    """What is kept: ``scrypt$N$r$p$salt$hash``."""
    salt = token_bytes(SALT_BYTES)
    return "$".join(("scrypt", str(N), str(R), str(P), _text(salt), _text(_scrypt(passphrase, salt, (N, R, P)))))


def is_right(passphrase: str, kept: str) -> bool:
    """Whether it is the passphrase that was hashed; takes as long either way."""
    _, n, r, p, salt, expected = kept.split("$")
    found = _scrypt(passphrase, base64.b64decode(salt), (int(n), int(r), int(p)))
    return hmac.compare_digest(found, base64.b64decode(expected))


def ticket(kept: str, token: str, now_s: float) -> str:
    """What proves for two hours that the passphrase was given: ``until.signature``."""
    until_s = int(now_s) + TICKET_S
    return f"{until_s}.{_signed(kept, token, until_s)}"


def is_valid(shown: str | None, kept: str, token: str, now_s: float) -> bool:
    """Whether a ticket is one of ours, for this link and this passphrase, and not over."""
    until, _, signature = (shown or "").partition(".")
    until_s = int(until) if until.isascii() and until.isdigit() and len(until) < 12 else 0
    is_signed = hmac.compare_digest(_signed(kept, token, until_s).encode(), signature.encode())
    return is_signed and now_s < until_s


def _scrypt(passphrase: str, salt: bytes, cost: tuple[int, int, int]) -> bytes:
    n, r, p = cost
    text = unicodedata.normalize("NFKC", passphrase).encode()  # keyboards write one letter in several ways
    with _at_work:
        return hashlib.scrypt(text, salt=salt, n=n, r=r, p=p, maxmem=MEMORY_LIMIT_BYTES, dklen=32)


def _signed(kept: str, token: str, until_s: int) -> str:
    return hmac.new(kept.encode(), f"{token}.{until_s}".encode(), hashlib.sha256).hexdigest()


def _text(raw: bytes) -> str:
    return base64.b64encode(raw).decode()

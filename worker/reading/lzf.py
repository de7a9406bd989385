"""LZF, the packing of compressed PCD files: literal runs and copies of what came before."""

from __future__ import annotations

LITERAL_LIMIT = 32  # control bytes below this start a run of literals
LONG_COPY = 7  # a length field of all ones says that a further length byte follows


def lzf_decompress(packed: bytes, expanded_size: int) -> bytes | None:
    """Unpack; None if the data does not come out at exactly ``expanded_size`` bytes."""
    out = bytearray()
    place, end = 0, len(packed)
    while place < end and len(out) <= expanded_size:
        control = packed[place]
        place += 1
        if control < LITERAL_LIMIT:
            out += packed[place : place + control + 1]
            place += control + 1
            continue
        length = control >> 5
        if length == LONG_COPY:
            length += packed[place] if place < end else 0
            place += 1
        if place >= end:
            return None
        start = len(out) - ((control & 31) << 8) - packed[place] - 1
        place += 1
        if start < 0:
            return None
        out += _copied(out, start, length + 2)
    return bytes(out) if place == end and len(out) == expanded_size else None


def _copied(out: bytearray, start: int, length: int) -> bytes:
    """Bytes from ``start``; where they reach past the end they repeat themselves."""
    chunk = bytes(out[start : start + length])
    if len(chunk) == length:
        return chunk
    return (chunk * (length // len(chunk) + 1))[:length]

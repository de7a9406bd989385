"""Write E57 files, and seal changed ones again: their pages carry checksums."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pye57

from worker.reading.parsed import Floats

PAGE_BYTES = 1024
CONTENT_BYTES = PAGE_BYTES - 4  # then a checksum
CASTAGNOLI = 0x82F63B78  # CRC-32C (RFC 3720), reflected


def write_e57(path: Path, scans: list[tuple[Floats, Floats | None]]) -> Path:
    """Scans in metres, each with its turn as a quaternion (w, x, y, z) or None, and 0.1 m along x."""
    writer = pye57.E57(str(path), "w")
    for points_m, turn in scans:
        fields = {f"cartesian{axis}": np.ascontiguousarray(points_m[:, k]) for k, axis in enumerate("XYZ")}
        writer.write_scan_raw(fields, rotation=turn, translation=np.array([0.1, 0.0, 0.0]))
    writer.close()
    return path


def opened_pages(content: bytes) -> bytes:
    """Content of all pages without their checksums."""
    pages = range(0, len(content), PAGE_BYTES)
    return b"".join(content[start : start + CONTENT_BYTES] for start in pages)


def sealed_pages(content: bytes) -> bytes:
    """Pages filled up and with their right checksums."""
    pages = [content[start : start + CONTENT_BYTES] for start in range(0, len(content), CONTENT_BYTES)]
    whole = [page.ljust(CONTENT_BYTES, b"\0") for page in pages]
    return b"".join(page + crc32c(page).to_bytes(4, "big") for page in whole)


def crc32c(data: bytes) -> int:
    table, value = _table(), 0xFFFFFFFF
    for byte in data:
        value = table[(value ^ byte) & 0xFF] ^ (value >> 8)
    return value ^ 0xFFFFFFFF


@cache
def _table() -> tuple[int, ...]:
    entries = []
    for entry in range(256):
        value = entry
        for _ in range(8):
            value = (value >> 1) ^ (CASTAGNOLI if value & 1 else 0)
        entries.append(value)
    return tuple(entries)

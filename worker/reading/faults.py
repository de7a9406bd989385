"""Short ways to refuse a file."""

from __future__ import annotations

from shared.errors import FileCorrupt, FileEmpty, FileTooLarge, FileTruncated, FileValuesInvalid
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile

SEND_AGAIN = "Export it again and send the new file."


def truncated(file: OpenFile, what: str, **data: int | str) -> FileTruncated:
    """The file ends before its own header says."""
    return FileTruncated(
        f"{file.name} is cut short: {what}.",
        file=file.name,
        advice="Copy or upload it again; if that does not help, export it again.",
        size_bytes=file.size_bytes,
        **data,
    )


def corrupt(file: OpenFile, what: str, *, advice: str = SEND_AGAIN, **data: int | str) -> FileCorrupt:
    """The file contradicts itself or its format."""
    return FileCorrupt(f"{file.name}: {what}.", file=file.name, advice=advice, **data)


def empty(file: OpenFile, what: str) -> FileEmpty:
    """The file is well formed and holds nothing to measure."""
    return FileEmpty(f"{file.name} {what}.", file=file.name, advice="Check what was selected when it was exported.")


def values_invalid(file: OpenFile, what: str, **data: float | str) -> FileValuesInvalid:
    """Coordinates that are no numbers, or too far away."""
    return FileValuesInvalid(f"{file.name} {what}.", file=file.name, advice=SEND_AGAIN, **data)


def check_counts(file: OpenFile, limits: ReadLimits, *, points: int = 0, triangles: int = 0) -> None:
    """Refuse more than the limits, before anything is allocated.

    Raises
    ------
    FileTooLarge
        Naming the count and its limit.

    """
    for count, limit, word in (
        (points, limits.point_count, "points"),
        (triangles, limits.triangle_count, "triangles"),
    ):
        if count > limit:
            raise FileTooLarge(
                f"{file.name} has {count} {word}; the limit is {limit}.",
                file=file.name,
                advice="Thin the scan, or export the model with a coarser tolerance.",
                count=count,
                limit=limit,
            )

"""Which file, under which name, and what kind of file that is.

The extension of the display name says what the sender meant; the first bytes say what it is.
Both must agree, so that no reader is handed a file made for another.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path, PurePosixPath

from shared.errors import FileEmpty, FileKindUnknown, FileTooLarge
from shared.units import LengthUnit
from worker.reading.settings import MIB, ReadLimits

HEAD_BYTES = 1024  # enough for every magic, and for a comment block before "facet" or "VERSION"


class FileFormat(StrEnum):
    """Formats Firstpour reads."""

    STEP = "STEP"
    STL = "STL"
    OBJ = "OBJ"
    PLY = "PLY"
    THREEMF = "3MF"
    XYZ = "XYZ"
    CSV = "CSV"
    PCD = "PCD"
    E57 = "E57"

    @property
    def has_unit(self) -> bool:
        """Whether such a file always says its own unit."""
        return self in {FileFormat.STEP, FileFormat.THREEMF, FileFormat.E57}

    @property
    def can_be_surface(self) -> bool:
        """Whether such a file can hold triangles or faces."""
        return self in {FileFormat.STEP, FileFormat.STL, FileFormat.OBJ, FileFormat.PLY, FileFormat.THREEMF}


FORMAT_BY_EXTENSION = {
    ".step": FileFormat.STEP,
    ".stp": FileFormat.STEP,
    ".p21": FileFormat.STEP,
    ".stl": FileFormat.STL,
    ".obj": FileFormat.OBJ,
    ".ply": FileFormat.PLY,
    ".3mf": FileFormat.THREEMF,
    ".xyz": FileFormat.XYZ,
    ".asc": FileFormat.XYZ,
    ".txt": FileFormat.XYZ,
    ".csv": FileFormat.CSV,
    ".pcd": FileFormat.PCD,
    ".e57": FileFormat.E57,
}
KNOWN_EXTENSIONS = "STEP (.step, .stp), STL, OBJ, PLY, 3MF, XYZ, CSV, PCD or E57"


@dataclass(frozen=True)
class Source:
    """A file to read.

    display_name : what the sender called it; used for its extension and in messages, never as a path
    stated_unit : what the sender says its lengths are in, or None
    """

    path: Path
    display_name: str
    stated_unit: LengthUnit | None


@dataclass(frozen=True)
class OpenFile:
    """A source whose format and size have been checked, as the format readers get it."""

    path: Path
    name: str
    size_bytes: int
    file_format: FileFormat
    head: bytes


def open_source(source: Source, limits: ReadLimits) -> OpenFile:
    """Check size and kind.

    Raises
    ------
    FileEmpty, FileTooLarge, FileKindUnknown
        Naming the file and what to do.

    """
    name = source.display_name
    size = source.path.stat().st_size
    if size == 0:
        raise FileEmpty(f"{name} has no content (0 bytes).", file=name, advice="Send the file again.")
    if size > limits.file_bytes:
        raise FileTooLarge(
            f"{name} has {size / MIB:.0f} MiB; the limit is {limits.file_bytes / MIB:.0f} MiB.",
            file=name,
            advice="Send a binary format, or a coarser export.",
            size_bytes=size,
            limit_bytes=limits.file_bytes,
        )
    with source.path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    return OpenFile(source.path, name, size, _agreed_format(name, head), head)


def _agreed_format(name: str, head: bytes) -> FileFormat:
    extension = PurePosixPath(name.replace("\\", "/")).suffix.lower()
    named = FORMAT_BY_EXTENSION.get(extension)
    if named is None:
        raise FileKindUnknown(
            f"{name}: files ending in {extension!r} are not read.", file=name, advice=f"Send {KNOWN_EXTENSIONS}."
        )
    found = _content_kind(head)
    if found is None and named in {FileFormat.STL, FileFormat.OBJ, FileFormat.XYZ, FileFormat.CSV}:
        return named  # no magic to check; their readers check the structure
    if found == named or {found, named} == {FileFormat.PCD, FileFormat.XYZ}:
        return named if found == named else FileFormat.PCD
    content = f"its content is {found}" if found else f"its content is not {named}"
    raise FileKindUnknown(
        f"{name} is called {extension}, but {content}.",
        file=name,
        advice=f"Send the file under its right ending, or export {named} again.",
    )


def _content_kind(head: bytes) -> FileFormat | str | None:
    """Kind told by the first bytes: a format, words for a well-known other kind, or None."""
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    for magic, kind in _MAGIC:
        if text[: len(magic)].lower() == magic:
            return kind
    if head[:4] == b"\0\0\0\0" and not head.strip(b"\0"):
        return "nothing but zero bytes"
    if text.startswith((b"# .PCD", b"VERSION ", b"# .pcd")):
        return FileFormat.PCD
    if text.startswith(b"/*") and b"ISO-10303-21;" in head:
        return FileFormat.STEP
    return None


_MAGIC: tuple[tuple[bytes, FileFormat | str], ...] = (
    (b"iso-10303-21;", FileFormat.STEP),
    (b"ply\n", FileFormat.PLY),
    (b"ply\r", FileFormat.PLY),
    (b"astm-e57", FileFormat.E57),
    (b"pk\x03\x04", FileFormat.THREEMF),
    (b"pk\x05\x06", "an empty zip archive"),
    (b"<!doctype html", "a web page"),
    (b"<html", "a web page"),
    (b"<?xml", "an XML document"),
    (b"%pdf", "a PDF document"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"rar!", "a RAR archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"\x89png", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\xd0\xcf\x11\xe0", "an old office or CAD document"),
)

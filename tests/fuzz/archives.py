"""Damage inside a 3MF: its parts are changed and packed again, so that the archive itself is sound (mostly)."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Sequence
from random import Random

from tests.fuzz.mutating import TRAP_NUMBERS, damaged

LAUGHS = b'<!DOCTYPE m [<!ENTITY a "' + b"x" * 999 + b'"><!ENTITY b "&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;">]>'
ATTRIBUTE = re.compile(rb'"[^"<>]*"')
MODEL = "3D/3dmodel.model"
Parts = dict[str, bytes]


def damaged_threemf(content: bytes, others: Sequence[bytes], chance: Random) -> bytes:
    """A quarter of the time bytes of the archive, else what is in it."""
    if chance.random() < 0.25:
        return damaged(content, others, chance)
    try:
        parts = unpacked(content)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, EOFError):
        return damaged(content, others, chance)
    for _ in range(chance.choice((1, 1, 2))):
        parts = chance.choice(CHANGES)(parts, chance)
    method = chance.choice((zipfile.ZIP_DEFLATED, zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED, zipfile.ZIP_BZIP2))
    return packed(parts, method)


def unpacked(content: bytes) -> Parts:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(parts: Parts, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return stream.getvalue()


def _changed(parts: Parts, change: Callable[[bytes], bytes], chance: Random) -> Parts:
    name = chance.choice(sorted(parts)) if parts else MODEL
    return {**parts, name: change(parts.get(name, b""))}


def _xml_bytes(parts: Parts, chance: Random) -> Parts:
    return _changed(parts, lambda xml: damaged(xml, [xml], chance), chance)


def _attribute(parts: Parts, chance: Random) -> Parts:
    def change(xml: bytes) -> bytes:
        found = list(ATTRIBUTE.finditer(xml))
        if not found:
            return xml
        match = chance.choice(found)
        other = chance.choice(
            (chance.choice(TRAP_NUMBERS), chance.choice(found)[0].strip(b'"'), b"1 0 0 0 1 0 0 0 1 0 0")
        )
        return xml[: match.start()] + b'"' + other + b'"' + xml[match.end() :]

    return _changed(parts, change, chance)


def _deep(parts: Parts, chance: Random) -> Parts:
    depth = chance.choice((10, 200, 300, 5000))
    place = chance.choice((b"<resources>", b"<build>", b"<vertices>", b"<mesh>"))
    nest = b"<a>" * depth + (b"</a>" * depth if chance.random() < 0.7 else b"")
    return _changed(parts, lambda xml: xml.replace(place, place + nest, 1), chance)


def _document_type(parts: Parts, chance: Random) -> Parts:
    before = chance.choice((b"", b"<!--" + b" " * 5000 + b"-->"))
    return _changed(parts, lambda xml: b"<?xml version='1.0'?>" + before + LAUGHS + xml.partition(b"?>")[2], chance)


def _encoding(parts: Parts, chance: Random) -> Parts:
    code = chance.choice(("utf-16", "utf-32", "utf-7", "cp037", "latin-1"))

    def change(xml: bytes) -> bytes:
        text = xml.decode("utf-8", "replace").replace('encoding="UTF-8"', f'encoding="{code}"')
        return text.encode(code, "replace")

    return _changed(parts, change, chance)


def _doubling(parts: Parts, chance: Random) -> Parts:
    """Objects that each hold the next one twice: 2^n placements in n lines."""
    count = chance.choice((4, 20, 31, 40))
    objects = "".join(
        f'<object id="{1000 + k}"><components><component objectid="{1001 + k}"/><component objectid="{1001 + k}"/>'
        "</components></object>"
        for k in range(count)
    )
    last = f'<object id="{1000 + count}"><components><component objectid="1"/></components></object>'
    return _placed(parts, objects + last, '<item objectid="1000"/>')


def _many(parts: Parts, chance: Random) -> Parts:
    """Many objects, placed many times."""
    count = chance.choice((100, 3000))
    objects = "".join(f'<object id="{2000 + k}"/>' for k in range(count))
    return _placed(parts, objects, '<item objectid="1"/>' + f'<item objectid="{1999 + count}"/>' * count)


def _placed(parts: Parts, objects: str, items: str) -> Parts:
    return {
        name: xml.replace(b"<resources>", b"<resources>" + objects.encode()).replace(
            b"<build>", b"<build>" + items.encode()
        )
        for name, xml in parts.items()
    }


def _rename(parts: Parts, chance: Random) -> Parts:
    names = ("../../x.model", "/3D/3dmodel.model", "3D\\3dmodel.model", "3d/3DMODEL.MODEL", "/", "a\0b", "\u202e.model")
    name = chance.choice(sorted(parts)) if parts else MODEL
    rest = {key: value for key, value in parts.items() if key != name}
    return {**rest, chance.choice(names): parts.get(name, b"")}


def _relations(parts: Parts, chance: Random) -> Parts:
    target = chance.choice(
        ("/3D/3dmodel.model", "../../etc/passwd", "http://127.0.0.1/", "", "_rels/.rels", "3D/none.model")
    )
    kind = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    comment = chance.choice(("", "<!-- c -->", "<?p i?>", "text"))
    xml = f'<Relationships>{comment}<Relationship Type="{kind}" Target="{target}"/></Relationships>'
    return {**parts, "_rels/.rels": xml.encode()}


def _bomb(parts: Parts, chance: Random) -> Parts:
    size = chance.choice((1 << 16, 17 << 20, 40 << 20))
    return {**parts, chance.choice((MODEL, "Metadata/x.png")): bytes(size)}


def _long_number(parts: Parts, chance: Random) -> Parts:
    """One very long number among many: a table of fixed width would be as wide as the longest."""
    long = b'x="' + b"0" * chance.choice((50, 5000, 200_000)) + b'1"'
    return _changed(parts, lambda xml: re.sub(rb'x="[^"]*"', long, xml, count=1), chance)


CHANGES = (
    _xml_bytes, _xml_bytes, _xml_bytes, _attribute, _attribute, _attribute, _deep, _document_type,
    _encoding, _doubling, _many,     _rename, _relations, _bomb, _long_number,
)  # fmt: skip

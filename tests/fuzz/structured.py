"""Damage that keeps the frame of a format whole, so that what lies behind it is reached: E57, STEP, plans, forms."""

from __future__ import annotations

import re
import struct
from collections.abc import Sequence
from random import Random

from tests.fuzz.mutating import TRAP_NUMBERS, TRAP_TEXTS, damaged, number_replaced
from tests.support.e57_files import PAGE_BYTES, opened_pages, sealed_pages

REFERENCE = re.compile(rb"#\d+")
REAL = re.compile(rb"(?<![#\w.])-?\d+\.\d*(?:E[-+]?\d+)?")
ENTITY = re.compile(rb"^#\d+\s*=", re.MULTILINE)
VALUE = re.compile(rb": *[^\s{\[][^\n,}\]]*")
ALIASES = b"{a: &a [x, x, x, x], b: &b [*a, *a, *a, *a], c: &c [*b, *b, *b, *b], d: [*c, *c, *c, *c]}"
TRAP_VALUES = (
    b".nan", b".inf", b"-.inf", b"1e400", b"0x7f", b"1_000", b"12:30:45", b"2001-02-30",
    b"!!python/object/apply:os.system [id]",
    b"!!binary aGk=", b"!!set {a, b}", b"!!omap [a: 1]", b"&a [*a]", ALIASES, b"[" * 2000 + b"]" * 2000,
    b"{a: " * 500 + b"1" + b"}" * 500,
    b"*unknown", b"'" + b"x" * 10_000 + b"'", b"null", b"~", b"yes", b"[]", b"{}", b"[[1, 2], [3]]", b"9" * 5000,
    b"0o17",     b'"\\u0000"', b'"\\uD800"', b'"<script>alert(1)</script>"', b"|\n  text",
    b">-\n  folded", b"? complex", b"<<: {kind: size}",
    b"!!timestamp 0000-01-01", b"!!int x", b"!!float '1,5'", b"-0.0",
    b"1e-400", b"{1: 2}", b"{[1, 2]: 3}", b"{null: 1}",
)  # fmt: skip


def damaged_e57(content: bytes, others: Sequence[bytes], chance: Random) -> bytes:
    """Damage below the checksums: pages are opened, changed and sealed again."""
    if chance.random() < 0.15:
        return damaged(content, others, chance)
    inner = opened_pages(content)
    start = inner.rfind(b"<?xml")
    if start >= 0 and chance.random() < 0.6:
        inner = inner[:start] + _same_length(inner[start:], number_replaced(inner[start:], chance), chance)
    else:
        inner = _same_length(inner, damaged(inner, [opened_pages(other) for other in others], chance), chance)
    sealed = bytearray(sealed_pages(inner))
    if len(sealed) != len(content) and len(sealed) >= PAGE_BYTES and chance.random() < 0.8:
        sealed[16:24] = struct.pack("<Q", len(sealed))  # the header's own length of the file
        return sealed_pages(opened_pages(bytes(sealed)))
    return bytes(sealed)


def _same_length(old: bytes, new: bytes, chance: Random) -> bytes:
    """Mostly as long as before, because everything in an E57 is found by its place."""
    return new if chance.random() < 0.2 else new[: len(old)].ljust(len(old), b" ")


def damaged_step(content: bytes, others: Sequence[bytes], chance: Random) -> bytes:
    """References to the wrong entity, loops, missing entities, impossible numbers; now and then any damage."""
    for _ in range(chance.choice((1, 1, 2, 4))):
        way = chance.randrange(6)
        if way == 0:
            content = damaged(content, others, chance)
        elif way == 1:
            content = _replaced(
                content, REAL, chance.choice((b"0.", b"1.E300", b"-1.E-300", b"1.E+999", b"NAN", b"$")), chance
            )
        elif way == 2:
            content = _replaced(content, ENTITY, b"#999999=", chance)
        elif way == 3:
            content = _replaced(
                content,
                re.compile(rb"'[^']*'"),
                chance.choice((b"'\\X2\\D800\\X0\\'", b"'\\X\\'", b"'" + b"x" * 9000 + b"'")),
                chance,
            )
        else:
            content = _replaced(content, REFERENCE, chance.choice(REFERENCE.findall(content) or [b"#1"]), chance)
    return content


def _replaced(content: bytes, pattern: re.Pattern[bytes], new: bytes, chance: Random) -> bytes:
    found = list(pattern.finditer(content))
    if not found:
        return content
    match = chance.choice(found)
    return content[: match.start()] + new + content[match.end() :]


def damaged_plan(content: bytes, others: Sequence[bytes], chance: Random) -> bytes:
    """Values of a plan replaced by what YAML can do to a reader."""
    for _ in range(chance.choice((1, 1, 2, 3))):
        if chance.random() < 0.4:
            content = damaged(content, others, chance)
        else:
            content = _replaced(content, VALUE, b": " + chance.choice((*TRAP_VALUES, *TRAP_NUMBERS)), chance)
    return content


def damaged_form(content: bytes, others: Sequence[bytes], chance: Random) -> bytes:
    """Boundaries, headers and names of a multipart form."""
    if chance.random() < 0.5:
        return damaged(content, others, chance)
    way = chance.randrange(5)
    if way == 0:
        return _replaced(
            content, re.compile(rb'(?<=name=")[^"]*'), chance.choice((*TRAP_TEXTS, b"plan", b"core.x", b"")), chance
        )
    if way == 1:
        flood = b"X-A: " + b"b" * 200 + b"\r\n"
        return _replaced(
            content,
            re.compile(rb"Content-Disposition"),
            flood * chance.choice((3, 500)) + b"Content-Disposition",
            chance,
        )
    if way == 2:
        part = b'--b\r\nContent-Disposition: form-data; name="core"; filename="c.stl"\r\n\r\nx\r\n'
        return part * chance.choice((5, 99, 101, 300)) + content
    if way == 3:
        return _replaced(
            content, re.compile(rb"\r\n"), chance.choice((b"\n", b"\r", b"", b"\r\n\r\n", b"\r\n ")), chance
        )
    return content.replace(b"form-data", chance.choice((b"attachment", b"form-data" * 900, b"")), 1)

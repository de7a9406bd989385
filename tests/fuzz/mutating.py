"""Damage that any kind of file can suffer: bits, spans, lines, numbers, halves of two files joined."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Sequence
from random import Random

NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
TRAP_NUMBERS = (
    b"0", b"-1", b"1", b"255", b"65536", b"2147483648", b"4294967295", b"4294967296", b"9223372036854775807",
    b"18446744073709551616", b"50000000", b"999999999999", b"9" * 400, b"9" * 5000, b"1e38", b"1e308", b"1e400",
    b"-1e999", b"1e-320", b"1e-999", b"nan", b"-nan", b"inf", b"-Infinity", b"0x10", b"1_0", b"1,5", b"--1",
    b"1.2.3", b"",     "\u0663".encode(), "\uff11".encode(),
)  # fmt: skip
TRAP_TEXTS = (
    b"\0", b"\r", b"\r\n", b"\xff\xfe", b"\xef\xbb\xbf", "\u2028".encode(), "\u202e".encode(), b"\x1a",
    b"\x85", b"\x0c",
    b"%n%s",     b"{{7*7}}", b"<script>", b"../../etc/passwd", b"A" * 70_000,
    b"#", b'"', b"\\", b"\\\n", b"(" * 3000, b"\xff" * 4,
)  # fmt: skip
TRAP_FLOATS = (float("nan"), float("inf"), float("-inf"), 1e38, -1e38, 3.5e38, 1e300, 5e-324, 0.0, 1e6, 1e-30)
TRAP_INTEGERS = (0, 1, 2, 3, 127, 128, 255, 32768, 65535, 2**31 - 1, 2**31, 2**32 - 1, 50_000_000, 20_000_000)
LARGEST = 300_000  # bytes of a damaged file; more only takes time
Damage = Callable[[bytes, Random], bytes]


def damaged(content: bytes, others: Sequence[bytes], chance: Random) -> bytes:
    """The content after one to four kinds of damage, now and then joined with a part of another file."""
    for _ in range(chance.choice((1, 1, 2, 2, 3, 4))):
        content = joined(content, others, chance) if chance.random() < 0.06 else chance.choice(DAMAGES)(content, chance)
    return content[:LARGEST]


def joined(content: bytes, others: Sequence[bytes], chance: Random) -> bytes:
    """The beginning of one file and the end of another."""
    other = chance.choice(others)
    return content[: chance.randint(0, len(content))] + other[chance.randint(0, len(other)) :]


def span_of(content: bytes, chance: Random, longest: int = 60) -> tuple[int, int]:
    """Begin and end of a random span."""
    start = chance.randint(0, len(content))
    return start, min(len(content), start + chance.randint(0, longest))


def _flip(content: bytes, chance: Random) -> bytes:
    if not content:
        return content
    place = chance.randrange(len(content))
    return content[:place] + bytes([content[place] ^ (1 << chance.randrange(8))]) + content[place + 1 :]


def _set_byte(content: bytes, chance: Random) -> bytes:
    place = chance.randint(0, len(content))
    return content[:place] + bytes([chance.choice((0, 1, 10, 13, 32, 127, 128, 255))]) + content[place + 1 :]


def _cut(content: bytes, chance: Random) -> bytes:
    start, end = span_of(content, chance)
    return content[:start] + content[end:]


def _end(content: bytes, chance: Random) -> bytes:
    return content[: chance.randint(0, len(content))]


def _repeat(content: bytes, chance: Random) -> bytes:
    start, end = span_of(content, chance)
    return content[:start] + content[start:end] * chance.choice((2, 3, 300)) + content[end:]


def _insert(content: bytes, chance: Random) -> bytes:
    place = chance.randint(0, len(content))
    return content[:place] + chance.choice(TRAP_TEXTS) + content[place:]


def number_replaced(content: bytes, chance: Random) -> bytes:
    """One number in the text, a later one as likely as an early one, replaced by a bad one."""
    found = list(NUMBER.finditer(content, 0, 20_000))
    if not found:
        return content
    match = chance.choice(found)
    return content[: match.start()] + chance.choice(TRAP_NUMBERS) + content[match.end() :]


def _pack_integer(content: bytes, chance: Random) -> bytes:
    packed = struct.pack(chance.choice(("<I", ">I", "<Q", "<H")), chance.choice(TRAP_INTEGERS) & 0xFFFF)
    if chance.random() < 0.8:
        packed = struct.pack(chance.choice(("<I", ">I")), chance.choice(TRAP_INTEGERS))
    return _overwritten(content, packed, chance)


def _pack_float(content: bytes, chance: Random) -> bytes:
    value, form = chance.choice(TRAP_FLOATS), chance.choice(("<f", ">f", "<d", ">d"))
    if form[1] == "f" and abs(value) > 3.4e38:
        form = form[0] + "d"
    return _overwritten(content, struct.pack(form, value), chance)


def _overwritten(content: bytes, packed: bytes, chance: Random) -> bytes:
    place = chance.randint(0, max(0, len(content) - len(packed)))
    return content[:place] + packed + content[place + len(packed) :]


def _on_lines(content: bytes, chance: Random) -> bytes:
    lines = content.split(b"\n")
    one, two = chance.randrange(len(lines)), chance.randrange(len(lines))
    way = chance.randrange(5)
    if way == 0:
        lines.insert(two, lines[one])
    elif way == 1:
        del lines[one]
    elif way == 2:
        lines[one], lines[two] = lines[two], lines[one]
    elif way == 3:
        room = (LARGEST - len(content)) // (len(lines[two]) + 1)  # changes upon changes would fill the memory
        lines[one:one] = [lines[two]] * max(1, min(chance.choice((10, 2000)), room))
    else:
        lines[one] += chance.choice((b"\r", b" 1", b" ", b"\t#", b" nan"))
    return b"\n".join(lines)


def _on_words(content: bytes, chance: Random) -> bytes:
    lines = content.split(b"\n")
    place = chance.randrange(len(lines))
    words = lines[place].split(b" ")
    at = chance.randrange(len(words))
    words[at : at + 1] = chance.choice(([], [words[at]] * 2, [chance.choice(words)], [b"x"], [words[at].swapcase()]))
    lines[place] = b" ".join(words)
    return b"\n".join(lines)


DAMAGES: tuple[Damage, ...] = (
    _flip, _set_byte, _cut, _end, _repeat, _insert, number_replaced, number_replaced, _pack_integer, _pack_float,
    _on_lines, _on_words,
)  # fmt: skip

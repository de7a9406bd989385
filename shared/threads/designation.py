"""What a thread is called: ISO metric ``M8``, ``M10x1``; unified ``3/8-16``, ``1/4-20 UNC``, ``#10-24``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from shared.threads.pitches import COARSE_PITCH_MM

MM_PER_INCH = 25.4  # exact: international yard and pound agreement of 1959
NUMBERED_BASE_IN, NUMBERED_STEP_IN = 0.060, 0.013  # unified sizes below 1/4 in: 0.060 + 0.013 times the number
MOST_DIAMETER_MM = 300.0  # ISO 261 ends there; a larger figure is a slip of the pen
LEAST_PITCH_SHARE, MOST_PITCH_SHARE = 0.01, 0.4  # of the diameter; no standard thread lies outside
_METRIC = re.compile(r"^M\s*(?P<size>\d+(?:\.\d+)?)(?:\s*[xX\u00d7]\s*(?P<pitch>\d+(?:\.\d+)?))?$")
_UNIFIED = re.compile(
    r"^(?:#(?P<number>\d{1,2})|(?:(?P<whole>\d)[ -])?(?P<top>\d{1,2})/(?P<bottom>\d{1,2})|(?P<inch>\d))"
    r"\s*-\s*(?P<count>\d{1,2})(?:\s+(?:UNC|UNF|UNEF|UN|UNS))?$"
)


class Standard(StrEnum):
    """Whose thread it is."""

    METRIC = "metric"
    UNIFIED = "unified"


class BadDesignation(ValueError):
    """Not a designation of a metric or unified thread; the message says what one looks like."""


@dataclass(frozen=True)
class Thread:
    """A thread by its basic sizes.

    designation : as given, blanks and class words taken out
    diameter_mm : nominal (basic major);  pitch_mm
    """

    designation: str
    standard: Standard
    diameter_mm: float
    pitch_mm: float

    @property
    def diameter_in(self) -> float:
        """Nominal diameter, inch."""
        return self.diameter_mm / MM_PER_INCH

    @property
    def threads_per_inch(self) -> float:
        """Threads in one inch of length."""
        return MM_PER_INCH / self.pitch_mm


def parse_thread(text: str) -> Thread:
    """The thread a designation names.

    text : ``M8`` (coarse pitch, ISO 261), ``M8x1.25``, ``M10x1``, ``3/8-16``, ``1 1/8-7``, ``1-8``, ``#10-24``

    Raises
    ------
    BadDesignation
        If it names no thread, or a metric size without a coarse pitch in ``COARSE_PITCH_MM``.

    """
    given = text.strip()
    metric, unified = _METRIC.match(given), _UNIFIED.match(given)
    if metric is not None:
        return _sound(_metric(metric), text)
    if unified is not None:
        return _sound(_unified(unified), text)
    raise BadDesignation(f"'{text}' is no thread; write it like M8, M10x1.25, 3/8-16 or 1/4-20")


def _metric(found: re.Match[str]) -> Thread:
    diameter = float(found["size"])
    pitch = COARSE_PITCH_MM.get(diameter) if found["pitch"] is None else float(found["pitch"])
    if pitch is None:
        raise BadDesignation(f"M{diameter:g} has no coarse pitch here; give its pitch, such as M{diameter:g}x1")
    return Thread(f"M{diameter:g}x{pitch:g}", Standard.METRIC, diameter, pitch)


def _unified(found: re.Match[str]) -> Thread:
    count = int(found["count"])
    if found["number"] is not None:
        size, inches = f"#{int(found['number'])}", NUMBERED_BASE_IN + NUMBERED_STEP_IN * int(found["number"])
    elif found["inch"] is not None:
        size, inches = found["inch"], float(found["inch"])
    else:
        if int(found["bottom"]) == 0:
            raise BadDesignation(f"'{found[0]}' divides by nothing")
        part = Fraction(int(found["top"]), int(found["bottom"]))
        inches = float(part + int(found["whole"] or 0))
        size = f"{found['whole'] + ' ' if found['whole'] else ''}{found['top']}/{found['bottom']}"
    if count == 0:
        raise BadDesignation(f"'{found[0]}' has no threads")
    return Thread(f"{size}-{count}", Standard.UNIFIED, inches * MM_PER_INCH, MM_PER_INCH / count)


def _sound(thread: Thread, text: str) -> Thread:
    share = thread.pitch_mm / thread.diameter_mm if thread.diameter_mm > 0 else 0.0
    if not (0 < thread.diameter_mm <= MOST_DIAMETER_MM and LEAST_PITCH_SHARE <= share <= MOST_PITCH_SHARE):
        raise BadDesignation(f"'{text}' has a pitch or a diameter that no standard thread has")
    return thread

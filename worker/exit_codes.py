"""What the command says to the shell."""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of ``firstpour``."""

    CONFORMS = 0  # everything asked was measured and conforms
    FINDINGS = 1  # something does not conform, is not proven or was not measured, or nothing was judged
    FAILED = 2  # bad input, or a failure
    STOPPED = 130  # Ctrl-C: the shell's 128 + SIGINT

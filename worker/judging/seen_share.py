"""How much of a surface must have been seen for it to pass."""

from __future__ import annotations

CONFORM_SHARE = 0.9  # a surface of which more is unseen cannot be shown to conform; common practice, no source


def gap_text(share: float) -> str | None:
    """Why a surface seen to this share may not pass; None where it may."""
    if share >= CONFORM_SHARE:
        return None
    return f"only {share:.0%} of it was seen, {CONFORM_SHARE:.0%} are needed to pass"

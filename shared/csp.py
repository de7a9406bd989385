"""The content security policy of a self-contained page: nothing runs or is drawn but what it carries.

Every inline script and style is named by the SHA-256 of its text (CSP Level 3, hash-source), so
that text smuggled in by a hostile part name can never become code.
"""

from __future__ import annotations

import base64
import hashlib
from html.parser import HTMLParser

# HTML Living Standard, 4.12.1: a script element with any other type is a data block and never runs.
RUNNING_TYPES = frozenset({"", "module", "text/javascript", "application/javascript"})


class _InlineTexts(HTMLParser):
    """Collects the text of every script that runs and of every style element."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=False)
        self.scripts: list[str] = []
        self.styles: list[str] = []
        self._open: list[str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        kind = (dict(attrs).get("type") or "").strip().lower()
        if tag == "script" and kind in RUNNING_TYPES:
            self._start(self.scripts)
        elif tag == "style":
            self._start(self.styles)

    def handle_endtag(self, tag: str) -> None:
        if tag in {"script", "style"}:
            self._open = None

    def handle_data(self, data: str) -> None:
        if self._open is not None:
            self._open[-1] += data

    def _start(self, into: list[str]) -> None:
        into.append("")
        self._open = into


def csp_for(html: str) -> str:
    """Value of a Content-Security-Policy header under which ``html`` works and may fetch nothing.

    html : a page whose scripts and styles are all inline, line ends as they will be sent
    """
    found = _InlineTexts()
    found.feed(html)
    found.close()
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src {_sources(found.scripts)}",
            f"style-src {_sources(found.styles)}",
            "img-src data:",
            "connect-src 'none'",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def _sources(texts: list[str]) -> str:
    hashes = [f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in texts]
    return " ".join(dict.fromkeys(hashes)) or "'none'"

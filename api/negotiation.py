"""What the caller would rather read."""

from __future__ import annotations

from starlette.requests import Request


def prefers_html(request: Request) -> bool:
    """Whether HTML is named in Accept with a higher weight than JSON; ``*/*`` alone, as curl sends, is JSON."""
    weights = dict(map(_weight, request.headers.get("accept", "").split(",")))
    html = weights.get("text/html", 0.0)
    json = max(weights.get("application/json", 0.0), weights.get("application/problem+json", 0.0))
    return html > json


def _weight(item: str) -> tuple[str, float]:
    media_type, *parameters = (piece.strip().lower() for piece in item.split(";"))
    for parameter in parameters:
        name, _, value = parameter.partition("=")
        if name.strip() == "q":
            try:
                return media_type, float(value)
            except ValueError:
                return media_type, 0.0
    return media_type, 1.0

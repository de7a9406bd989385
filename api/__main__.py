"""``python -m api``: the HTTP service alone."""

from __future__ import annotations

import ipaddress
import signal
import sys

from shared.access import AccessMode
from shared.settings import Settings, UnknownSetting, load_settings

NO_KEYS = (
    "FIRSTPOUR_HOST is {host!r}, but no access keys are asked for, so Firstpour listens on this machine only "
    "(127.0.0.1 or ::1). Set FIRSTPOUR_ACCESS=keys and make a key with 'firstpour key create', "
    "or use a tunnel, such as ssh -L."
)
NO_NAME = (
    "FIRSTPOUR_HOST is {host!r}: set FIRSTPOUR_PUBLIC_URL to the address that callers use, such as "
    "https://firstpour.example, because requests to any other name are refused."
)


def refusal(settings: Settings) -> str | None:
    """Why this address must not be listened on, or None."""
    if settings.host == "localhost":
        return None
    try:
        is_loopback = ipaddress.ip_address(settings.host).is_loopback
    except ValueError:
        is_loopback = False
    if is_loopback:
        return None
    if settings.access == AccessMode.KEYS:
        return None if settings.public_url else NO_NAME.format(host=settings.host)
    return None if settings.published_on_loopback_only else NO_KEYS.format(host=settings.host)


def main() -> int:
    """Serve until asked to stop."""
    try:
        settings = load_settings()
    except (UnknownSetting, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    reason = refusal(settings)
    if reason is not None:
        sys.stderr.write(f"{reason}\n")
        return 2
    # uvicorn raises the signal again when all is closed; being asked to stop is no failure
    signal.signal(signal.SIGTERM, lambda _signal, _frame: sys.exit(0))

    from api.server import serve  # noqa: PLC0415 - a refusal must not wait for the libraries

    serve(settings)
    return 0


if __name__ == "__main__":
    sys.exit(main())

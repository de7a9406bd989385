"""``python -m api``: the HTTP service alone."""

from __future__ import annotations

import ipaddress
import sys
from types import FrameType

import uvicorn

from api.app import create_app
from api.resources import Resources
from shared.logs import configure_logs
from shared.settings import Settings, UnknownSetting, load_settings

GRACE_S = 10  # for answers under way when the server is asked to stop; an upload longer than that is resumed


class Server(uvicorn.Server):
    """Tells endless answers to end before it waits for all answers to end."""

    def __init__(self, config: uvicorn.Config, resources: Resources) -> None:
        super().__init__(config)
        self._resources = resources

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """A signal to stop."""
        self._resources.closing.set()
        super().handle_exit(sig, frame)


def refusal(settings: Settings) -> str | None:
    """Why this address must not be listened on, or None."""
    if settings.host == "localhost" or settings.published_on_loopback_only:
        return None
    try:
        is_loopback = ipaddress.ip_address(settings.host).is_loopback
    except ValueError:
        is_loopback = False
    if is_loopback:
        return None
    return (
        f"FIRSTPOUR_HOST is {settings.host!r}: there are no access keys yet, so Firstpour listens on this machine only "
        "(127.0.0.1 or ::1). To reach it from elsewhere use a tunnel, such as ssh -L."
    )


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
    configure_logs()
    app = create_app(settings)
    config = uvicorn.Config(
        app,
        host=settings.host,
        port=settings.port,
        log_config=None,
        access_log=False,  # RequestContext writes one line a request, without query strings
        server_header=False,
        timeout_graceful_shutdown=GRACE_S,
    )
    Server(config, app.state.resources).run()
    return 0


if __name__ == "__main__":
    sys.exit(main())

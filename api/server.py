"""Running the service under uvicorn until it is asked to stop."""

from __future__ import annotations

from types import FrameType

import uvicorn

from api.app import create_app
from api.connections import connection_limits
from api.resources import Resources
from shared.logs import configure_logs
from shared.settings import Settings

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


def serve(settings: Settings) -> None:
    """Serve until asked to stop; raises SystemExit when the address cannot be had."""
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
        **connection_limits(),
    )
    Server(config, app.state.resources).run()

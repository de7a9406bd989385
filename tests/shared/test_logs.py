from __future__ import annotations

import json
import subprocess
import sys

PROGRAM = """
import logging, structlog
from shared.logs import configure_logs
configure_logs()
log = structlog.get_logger()
with structlog.contextvars.bound_contextvars(inspection_id="insp_1"):
    log.info("claimed", attempt=2)
    logging.getLogger("somewhere").warning("a library's %s", "word")
try:
    1 / 0
except ZeroDivisionError:
    log.exception("failed")
logging.getLogger("celery").info("chatter")
"""


def test_every_line_is_json_with_its_event_and_the_inspection_it_belongs_to() -> None:
    said = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True).stderr
    ours, library, failed = (json.loads(line) for line in said.splitlines())
    assert (ours["event"], ours["attempt"], ours["inspection_id"]) == ("claimed", 2, "insp_1")
    assert (library["event"], library["inspection_id"]) == ("a library's word", "insp_1")
    assert "ZeroDivisionError" in failed["exception"]
    assert "inspection_id" not in failed

"""Files in, records out: nominal, bodies and scans, read in guarded child processes.

Names are resolved on first use, because the child imports this package too and must not pay
half a second for what only the parent needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from worker.reading.read import read_body, read_nominal, read_pair, read_scan
    from worker.reading.settings import MeshSettings, ReadLimits, TessellationSettings
    from worker.reading.source import FileFormat, Source
    from worker.reading.unit_check import check_units

__all__ = [
    "FileFormat",
    "MeshSettings",
    "ReadLimits",
    "Source",
    "TessellationSettings",
    "check_units",
    "read_body",
    "read_nominal",
    "read_pair",
    "read_scan",
]

_HOME = {
    "FileFormat": "source",
    "MeshSettings": "settings",
    "ReadLimits": "settings",
    "Source": "source",
    "TessellationSettings": "settings",
    "check_units": "unit_check",
    "read_body": "read",
    "read_nominal": "read",
    "read_pair": "read",
    "read_scan": "read",
}


def __getattr__(name: str) -> Any:
    """Import a public name from its module on first use (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)

"""What a file's name ending tells before anything is read: whether it is read at all, and whether it carries a unit.

The worker's reader looks into the file; this much lets a request be refused at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePosixPath
from types import MappingProxyType

CARRIES_UNIT: Mapping[str, bool] = MappingProxyType(
    {
        ".step": True,
        ".stp": True,
        ".p21": True,
        ".3mf": True,
        ".e57": True,  # ASTM E2807: always metres
        ".stl": False,
        ".obj": False,
        ".ply": False,
        ".xyz": False,
        ".asc": False,
        ".txt": False,
        ".csv": False,
        ".pcd": False,
    }
)


def carries_unit(file_name: str) -> bool | None:
    """Whether such a file says its own unit; None for an ending that is not read."""
    return CARRIES_UNIT.get(PurePosixPath(file_name).suffix.lower())

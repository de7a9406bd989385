"""Who may import whom, read from the source of every file."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
STAGES = (
    "worker/reading",
    "worker/features",
    "worker/fitting",
    "worker/aligning",
    "worker/measuring",
    "worker/datums",
    "worker/judging",
    "worker/ports",
    "worker/whatif",
    "worker/passages",
    "worker/walls",
    "worker/offsets",
    "worker/mockup",
    "worker/fasteners",
)
SERVICE_LIBRARIES = {"celery", "kombu", "fastapi", "starlette", "uvicorn", "redis", "sqlalchemy", "alembic"}
GEOMETRY_LIBRARIES = {"open3d", "OCP", "trimesh", "numpy", "scipy", "matplotlib", "networkx", "pye57", "lxml", "fcl"}
SERVICE_MODULES = {"shared.settings", "shared.tables", "shared.database", "shared.broker", "shared.filestore"}
SERVICE_MODULES |= {"shared.stores", "shared.bucket_store", "shared.s3_client"}


def imported_by(path: Path) -> Iterator[str]:
    """Dotted names of all modules a file imports, at its top or anywhere inside."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module is not None:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            package = path.relative_to(ROOT).parts[: -node.level]
            yield ".".join((*package, node.module or ""))


def breaches(folder: str, forbidden: set[str]) -> list[str]:
    """``file: module`` for every import of something forbidden, or of a module inside it."""
    return [
        f"{path.relative_to(ROOT)}: {name}"
        for path in sorted((ROOT / folder).rglob("*.py"))
        for name in imported_by(path)
        if any(name == wall or name.startswith(f"{wall}.") for wall in forbidden)
    ]


@pytest.mark.parametrize(
    ("folder", "forbidden"),
    [
        ("api", {"worker"} | GEOMETRY_LIBRARIES),
        ("worker", {"api"}),
        ("shared", {"api", "worker", "fastapi", "starlette"} | GEOMETRY_LIBRARIES),
        *((stage, SERVICE_LIBRARIES | SERVICE_MODULES) for stage in STAGES),
    ],
)
def test_nothing_reaches_through_a_wall(folder: str, forbidden: set[str]) -> None:
    assert breaches(folder, forbidden) == []


def test_the_walk_sees_every_kind_of_import(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.test_import_walls.ROOT", tmp_path)
    (tmp_path / "api").mkdir()
    source = "import worker\nfrom worker import app\ndef f():\n    import worker.tasks as t\nfrom . import worker\n"
    (tmp_path / "api" / "bad.py").write_text(source)
    names = set(imported_by(tmp_path / "api" / "bad.py"))
    assert {"worker", "worker.app", "worker.tasks", "api."} <= names


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_is_looked_at(stage: str) -> None:
    assert list((ROOT / stage).glob("*.py"))

"""A PostgreSQL server of our own in a folder, reachable by its socket only."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from secrets import token_hex

import psycopg
import pytest

BIN_FOLDERS = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name))


def _run(folder: Path, *arguments: str | Path) -> None:
    """Run one of the server's programs in ``folder``, as the user postgres where we are root: it refuses root."""
    user = pwd.getpwnam("postgres") if os.geteuid() == 0 else None
    subprocess.run(
        [str(BIN_FOLDERS[-1] / arguments[0]), *map(str, arguments[1:])],
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=folder,
        user=user and user.pw_uid,
        group=user and user.pw_gid,
    )


def fresh_database(server_url: str) -> str:
    """Address of a new, empty database on that server."""
    name = f"firstpour_{token_hex(6)}"
    with psycopg.connect(server_url.replace("+psycopg", ""), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}".encode())
    return server_url.replace("/postgres?", f"/{name}?")


@dataclass(frozen=True)
class Postgres:
    """A running server, reached by its socket, or at an address of its own."""

    folder: Path
    address: str = ""

    @property
    def url(self) -> str:
        """Address of its first database."""
        return f"postgresql+psycopg://postgres@/postgres?host={self.address or self.folder}"

    def make(self) -> None:
        """Lay out its folder; whoever reaches it is let in."""
        _run(self.folder, "initdb", "-D", self.folder / "data", "-U", "postgres", "-A", "trust", "-N")
        with (self.folder / "data" / "pg_hba.conf").open("a") as rules:
            rules.write("host all all samenet trust\n")

    def start(self) -> None:
        """Start it and wait until it answers."""
        options = f"-k {self.folder} -c listen_addresses='{self.address}' -c fsync=off"
        self._control("-l", self.folder / "log", "-o", options, "start")

    def crash(self) -> None:
        """Stop it at once, every connection broken; its log brings the data back at the next start."""
        self._control("-m", "immediate", "stop")

    def _control(self, *arguments: str | Path) -> None:
        _run(self.folder, "pg_ctl", "-D", self.folder / "data", "-w", *arguments)


@contextmanager
def postgres_server(address: str = "") -> Iterator[Postgres]:
    """A fresh server; it and its data are gone afterwards."""
    if not BIN_FOLDERS:
        pytest.skip("no PostgreSQL server installed")
    folder = Path(tempfile.mkdtemp(prefix="firstpour-pg-", dir="/tmp"))  # short: a socket's path has 107 bytes
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres")
    server = Postgres(folder, address)
    try:
        server.make()
        server.start()
        yield server
    finally:
        server.crash()
        shutil.rmtree(folder)


@contextmanager
def temporary_postgres() -> Iterator[str]:
    """Address of a fresh server; it and its data are gone afterwards."""
    with postgres_server() as server:
        yield server.url

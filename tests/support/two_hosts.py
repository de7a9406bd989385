"""A second host: a network namespace joined to ours by a wire that can be cut.  It takes root and iproute2."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import pytest


@dataclass(frozen=True)
class SecondHost:
    """``near`` is our address on the wire, reachable from nowhere else."""

    name: str
    network: str

    @property
    def near(self) -> str:
        """Where the second host finds us."""
        return f"{self.network}.1"

    @property
    def command(self) -> tuple[str, ...]:
        """What to put before a command to run it there."""
        return ("ip", "netns", "exec", self.name)

    def cut(self) -> None:
        """From now on nothing passes, and neither side is told."""
        _ip("link", "set", f"{self.name}n", "down")

    def mend(self) -> None:
        """Everything passes again."""
        _ip("link", "set", f"{self.name}n", "up")


@contextmanager
def second_host() -> Iterator[SecondHost]:
    """A second host for a while."""
    if os.geteuid() != 0 or shutil.which("ip") is None:
        pytest.skip("only root with iproute2 can make a second host")
    number = os.getpid() % 200
    host = SecondHost(f"fp{number}", f"10.213.{number}")
    if subprocess.run(["ip", "netns", "add", host.name], check=False, capture_output=True).returncode != 0:
        pytest.skip("this machine lets nobody make a network namespace")
    try:
        far = f"{host.name}f"
        _ip("link", "add", f"{host.name}n", "type", "veth", "peer", "name", far, "netns", host.name)
        _ip("addr", "add", f"{host.near}/30", "dev", f"{host.name}n")
        _ip("-n", host.name, "addr", "add", f"{host.network}.2/30", "dev", far)
        _ip("-n", host.name, "link", "set", far, "up")
        _ip("-n", host.name, "link", "set", "lo", "up")
        host.mend()
        yield host
    finally:
        _ip("netns", "del", host.name)


def _ip(*arguments: str) -> None:
    subprocess.run(["ip", *arguments], check=True, capture_output=True)

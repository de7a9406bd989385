"""The fuzzer sees what it is there to see."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from shared.errors import FileCorrupt
from tests.fuzz.arena import verdict
from tests.fuzz.campaign import Tally, _enter, keep, run_target
from tests.fuzz.seeds import SEEDS, seeds_of
from tests.fuzz.targets import TARGETS, Input, input_of

ONE = Input("a.stl", b"solid")


def refuses(name: str, content: bytes, folder: Path) -> str:
    raise FileCorrupt(f"{name} is {len(content)} bytes.", file=name, advice=f"Look into {folder.name}.")


def never_ends(name: str, content: bytes, folder: Path) -> str:
    while True:
        pass


def swells(name: str, content: bytes, folder: Path) -> str:
    raise MemoryError


def fails(name: str, content: bytes, folder: Path) -> str:
    empty: dict[str, str] = {}
    return empty[name]


@pytest.mark.parametrize(
    ("read", "expected"), [(refuses, "file_corrupt"), (never_ends, "!time"), (swells, "!memory"), (fails, "!KeyError")]
)
def test_each_way_to_fail_is_told(tmp_path: Path, read: Callable[[str, bytes, Path], str], expected: str) -> None:
    assert verdict(read, ONE, tmp_path, cpu_limit_s=0.2).split()[0] == expected


def test_a_death_is_a_finding_except_in_machine_code() -> None:
    own, native = Tally(), Tally()
    _enter(own, "ply", 7, "!died SIGSEGV")
    _enter(native, "step", 7, "!died SIGSEGV")
    assert own.findings == [(7, "!died SIGSEGV")]
    assert (native.findings, native.held_count) == ([], 1)


def test_a_process_of_its_own_reads_them_all() -> None:
    tally = run_target("names", 1, 25)
    assert (tally.input_count, tally.findings) == (25, [])


def test_an_input_is_made_again_from_its_number() -> None:
    assert input_of("ply", 3, 14) == input_of("ply", 3, 14)
    assert input_of("ply", 3, 14) != input_of("ply", 3, 15)


def test_of_one_fault_two_inputs_are_kept(tmp_path: Path) -> None:
    kept = keep("stl", 1, [(index, "!KeyError worker/reading/stl.py:1 'x'") for index in range(5)], tmp_path)
    assert [path.read_bytes() for path in kept] == [input_of("stl", 1, index).content for index in range(2)]


@pytest.mark.parametrize("target", [name for name in TARGETS if not TARGETS[name].is_native])
def test_sound_files_are_taken(tmp_path: Path, target: str) -> None:
    outcomes = {verdict(TARGETS[target].read, Input(*one), tmp_path) for one in seeds_of(target).items()}
    assert "record" in outcomes
    assert SEEDS.keys() == TARGETS.keys()

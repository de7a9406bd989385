"""The main job on the embedded default, as a shop would do it: serve, send two pieces over HTTP, read the reports.

    python -m demo.show [--serve]

Run by ``demo/run``.  Everything about the two pieces is invented; what was planted in them is
printed beside what the reports found.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from demo.make_scans import make_scans

HERE = Path(__file__).parent
OUT = HERE / "out"
SCANS = OUT / "scans"
FIRSTPOUR = (sys.executable, "-m", "worker.command.main")
CORES = sorted((HERE / "data" / "cores").glob("*.step"))
PARTS = sorted((HERE / "data" / "parts").glob("*.step"))
RODS = (("9/16 in", "rod_3_thin"), ("5/8 in", "rod_3_thick"))  # sizes, and the lines that ask for them
FINISHED = (0, 1)  # conforms, or does not: either way there is a report


@dataclass(frozen=True)
class Piece:
    """One of the two pieces."""

    name: str
    title: str


@dataclass(frozen=True)
class Planted:
    """One planted fault, its true size, and the characteristic that should find it."""

    what: str
    truth: str
    characteristic: str


PIECES = (
    Piece("print", "Printed prototype of the demonstration head (invented)"),
    Piece("casting", "First casting of the demonstration head (invented)"),
)


def make_scans_once() -> None:
    """Make the scans unless those at hand came from the same scripts and data."""
    sources = [*sorted(HERE.glob("geometry/*.py")), HERE / "make_scans.py", HERE / "data" / "head.step"]
    mark = hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()
    stamp = SCANS / "made_from.sha256"
    if stamp.is_file() and stamp.read_text() == mark:
        print(f"Scans at hand in {SCANS}")
        return
    print(f"Making the two invented scans in {SCANS} (about a minute)")
    make_scans(SCANS)
    stamp.write_text(mark)


@contextmanager
def service() -> Iterator[str]:
    """Run ``firstpour serve`` on a free port; gives its address and stops it at the end."""
    command = [*FIRSTPOUR, "serve", "--port", "0", "--data-dir", str(OUT / "service")]
    with (OUT / "service.log").open("wb") as log:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)
    try:
        if process.stdout is None or not (line := process.stdout.readline()):
            raise SystemExit(f"the service did not start; see {OUT / 'service.log'}")
        yield line.split()[3].rstrip("/")
    finally:
        process.terminate()
        process.wait()


def send(piece: Piece, server: str) -> dict[str, Any]:
    """Send one piece over HTTP and fetch its report into ``demo/out/<name>``."""
    command = [*FIRSTPOUR, "send", str(HERE / "data" / "head.step"), str(SCANS / f"{piece.name}.ply")]
    command += ["--server", server, "--unit", "mm", "--plan", str(HERE / "plans" / f"{piece.name}.yaml")]
    command += [part for core in CORES for part in ("--core", f"{core.stem}={core}")]
    command += [word for part in PARTS for word in ("--part", f"{part.stem}={part}")]
    ended = subprocess.run([*command, "--title", piece.title, "--out", str(OUT / piece.name)], check=False)
    if ended.returncode not in FINISHED:
        raise SystemExit(f"{piece.name}: no report")
    report: dict[str, Any] = json.loads((OUT / piece.name / "report.json").read_text())
    return report


def line_of(report: Mapping[str, Any], identity: str) -> str:
    """Measured and expanded uncertainty of one characteristic."""
    line = next(line for line in report["characteristics"] if line["id"] == identity)
    if line["measured"] is None:
        return f"not measured: {line['reason']}"
    verdict = line["verdict"].replace("_", " ")
    if line["unit"] == "count":
        return f"{line['measured']:.0f} ({verdict})"
    return f"{line['measured']:.3f} ± {line['U']:.3f} {line['unit']} ({verdict})"


def planted_in_print(truth: Mapping[str, Any]) -> list[Planted]:
    """What is wrong with the print: it shrank."""
    return [Planted("shrink", f"{truth['shrink_percent_of_piece']} %", "shrink")]


def planted_in_casting(truth: Mapping[str, Any]) -> list[Planted]:
    """What is wrong with the casting, and what is right by little."""
    hole, wall, gap = truth["bolt_hole"], truth["least_wall_port_to_jacket_mm"], truth["gap_of_rod_3_mm"]
    port = truth["deep_port"]
    return [
        Planted("shrink", f"{truth['shrink_percent_of_piece']} %", "shrink"),
        Planted("water jacket core displaced", f"{truth['core_shift_length_mm']} mm", "jacket_core"),
        Planted("wall exhaust 2 to jacket, roughness apart", f"{wall['exhaust_2']} mm", "exhaust_2_to_jacket"),
        Planted(f"port {port} not seen past {truth['deep_port_seen_mm']:g} mm", "unseen", f"{port}_to_jacket"),
        Planted(f"bolt hole {hole['number']}, zone (twice the offset)", f"{2 * hole['shift_length_mm']} mm", "bolt_7"),
        *(Planted(f"gap round rod 3 of {size}, roughness apart", f"{gap[size]} mm", line) for size, line in RODS),
        Planted("sites for a stud, intake flange 2", f"{truth['sites_for_studs_on_intake_flange_2']}", "more_studs"),
    ]


def compare(piece: str, planted: list[Planted], report: Mapping[str, Any]) -> None:
    """Print what was planted beside what was found."""
    print(f"\nPlanted in the {piece}, and what its report says:")
    for fault in planted:
        print(f"  {fault.what:<44} planted {fault.truth:<9} found {line_of(report, fault.characteristic)}")


def main() -> None:
    """Serve, send, compare, and end with the addresses."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--serve", action="store_true", help="keep serving the reports until Ctrl-C")
    arguments = parser.parse_args()
    OUT.mkdir(exist_ok=True)
    make_scans_once()
    truth = json.loads((SCANS / "truth.json").read_text())
    with service() as server:
        print(f"Firstpour serves at {server}")
        reports = {}
        for piece in PIECES:
            print(f"\n{piece.title}")
            reports[piece.name] = send(piece, server)
        compare("print", planted_in_print(truth["print"]), reports["print"])
        compare("casting", planted_in_casting(truth["casting"]), reports["casting"])
        print("\nReports:")
        for piece in PIECES:
            address = f"{server}/v1/inspections/{reports[piece.name]['run']['inspection_id']}/report.html"
            print(f"  {piece.name:<8} {(OUT / piece.name / 'report.html').as_uri()}")
            if arguments.serve:
                print(f"  {'':<8} {address}")
        if arguments.serve:
            print(f"\nServing at {server} until Ctrl-C")
            wait_for_interrupt()


def wait_for_interrupt() -> None:
    """Sit until Ctrl-C."""
    try:
        subprocess.run(["sleep", "infinity"], check=False)
    except KeyboardInterrupt:
        print()


if __name__ == "__main__":
    main()

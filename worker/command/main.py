"""The command ``firstpour``: serve, inspect, send, and those about plans and keys.

Nothing heavy is imported here: ``firstpour --help`` must answer at once.
"""

from __future__ import annotations

import signal
import sys
import traceback
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer

from shared.access import KEY_VARIABLE
from shared.errors import FirstpourError
from shared.units import LengthUnit
from worker.command import keeping, talking
from worker.command.key_commands import key_app, workspace_app
from worker.command.plan_commands import add_commands
from worker.command.remark_commands import remarks
from worker.command.upkeep_commands import upkeep_app
from worker.exit_codes import ExitCode

app = typer.Typer(
    name="firstpour",
    epilog="Exit codes: 0 all conforms, 1 something does not conform or is not proven, 2 bad input or failure.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Nominal = Annotated[Path, typer.Argument(metavar="NOMINAL", help="The CAD: STEP, or a mesh (STL, OBJ, PLY, 3MF).")]
Scan = Annotated[Path, typer.Argument(metavar="SCAN", help="The scan: a mesh, or points (PLY, XYZ, CSV, PCD, E57).")]
PlanFile = Annotated[Path | None, typer.Option("--plan", help="What to judge: a plan in YAML or JSON.")]
Unit = Annotated[LengthUnit | None, typer.Option(help="Unit of files that carry none.")]
NominalUnit = Annotated[LengthUnit | None, typer.Option(help="Unit of the CAD file, where it differs.")]
ScanUnit = Annotated[LengthUnit | None, typer.Option(help="Unit of the scan file, where it differs.")]
Core = Annotated[
    list[str] | None, typer.Option("--core", metavar="NAME=FILE", help="A core as a solid; may be given again.")
]
Part = Annotated[
    list[str] | None,
    typer.Option("--part", metavar="NAME=FILE", help="A bought-in part for the mock-up; may be given again."),
]
Out = Annotated[Path | None, typer.Option(help="Folder for the report.  [default: named after the scan]")]
Title = Annotated[str | None, typer.Option(help="Title of the report.")]
Json = Annotated[bool, typer.Option("--json", help="The result as JSON on standard output, and nothing else there.")]


def _say_version(is_wanted: bool) -> None:
    if is_wanted:
        typer.echo(f"firstpour {version('firstpour')}")
        raise typer.Exit


@app.callback()
def _group(
    *,
    _version: Annotated[
        bool, typer.Option("--version", callback=_say_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Says, before metal is poured, whether a printed prototype or a first casting is what the CAD says."""


@app.command()
def inspect(  # noqa: PLR0913 - one parameter an option
    nominal: Nominal,
    scan: Scan,
    *,
    plan: PlanFile = None,
    unit: Unit = None,
    nominal_unit: NominalUnit = None,
    scan_unit: ScanUnit = None,
    core: Core = None,
    part: Part = None,
    out: Out = None,
    title: Title = None,
    seed: Annotated[int | None, typer.Option(min=0, help="Seed of every choice left to chance.")] = None,
    as_json: Json = False,
) -> None:
    """Inspect one piece here, without a server."""
    from worker.command.asking import Asked, bodies_of  # noqa: PLC0415 - see above
    from worker.command.inspecting import inspect_here  # noqa: PLC0415

    asked = Asked.of(nominal, scan, plan=plan, bodies=bodies_of(core or (), part or ()), title=title)
    asked = asked.with_units(unit, nominal_unit, scan_unit)
    raise typer.Exit(inspect_here(asked, out=out, seed=seed, as_json=as_json))


@app.command()
def send(  # noqa: PLR0913 - one parameter an option
    nominal: Nominal,
    scan: Scan,
    *,
    server: Annotated[str, typer.Option(help="Address of the service.")] = "http://127.0.0.1:8650",
    key: Annotated[str, typer.Option(envvar=KEY_VARIABLE, help="Access key, where the service wants one.")] = "",
    plan: PlanFile = None,
    unit: Unit = None,
    nominal_unit: NominalUnit = None,
    scan_unit: ScanUnit = None,
    core: Core = None,
    part: Part = None,
    out: Out = None,
    title: Title = None,
    as_json: Json = False,
) -> None:
    """Send one piece to a server and fetch the report."""
    from worker.command.asking import Asked, bodies_of  # noqa: PLC0415 - see above
    from worker.command.sending import Server, send_there  # noqa: PLC0415

    asked = Asked.of(nominal, scan, plan=plan, bodies=bodies_of(core or (), part or ()), title=title)
    asked = asked.with_units(unit, nominal_unit, scan_unit)
    raise typer.Exit(send_there(asked, Server(server, key), out=out, as_json=as_json))


@app.command()
def serve(
    *,
    host: Annotated[str | None, typer.Option(help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option(min=0, max=65535, help="Port; 0 takes a free one.")] = None,
    data_dir: Annotated[Path | None, typer.Option(help="Folder for database, files and queue.")] = None,
    workers: Annotated[int, typer.Option(min=1, help="Inspections at a time.")] = 1,
) -> None:
    """Run the service on this machine, HTTP and workers."""
    from worker.command.serving import Wanted, serve_here  # noqa: PLC0415 - see above

    raise typer.Exit(serve_here(Wanted(host=host, port=port, data_dir=data_dir, workers=workers)))


add_commands(app)
app.add_typer(key_app)
app.add_typer(workspace_app)
app.add_typer(upkeep_app)
app.command()(remarks)
keeping.add_commands(app)


def main(arguments: list[str] | None = None) -> None:
    """Run the command; every expected error ends with what is wrong and what to do, and code 2."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # clean up like on Ctrl-C; serve has its own
    sys.exit(run(arguments))


def run(arguments: list[str] | None = None) -> int:
    """Run the command and return its exit code."""
    arguments = sys.argv[1:] if arguments is None else arguments
    try:
        app(arguments)
    except SystemExit as end:
        return int(end.code or 0)
    except FirstpourError as error:
        talking.complain(error.code, error.message, error.advice, error.data, as_json="--json" in arguments)
        return ExitCode.FAILED
    except Exception:  # noqa: BLE001 - a fault of ours must not look like a verdict: Python itself would exit with 1
        talking.note("firstpour: this is a fault in Firstpour itself; please report what follows.")
        traceback.print_exc()
        return ExitCode.FAILED
    return ExitCode.CONFORMS


if __name__ == "__main__":
    main()

"""The commands about plans and features: ``features``, ``plan check``, ``plan draft``, ``repeat``.

As in :mod:`worker.command.main`, nothing heavy is imported before a command runs.
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from shared.units import LengthUnit

plan_app = typer.Typer(name="plan", help="Check a plan, or draft one.", no_args_is_help=True, rich_markup_mode=None)


class Kind(StrEnum):
    """What will be scanned: as in a plan, whose module is too heavy to import for ``--help``."""

    CASTING = "casting"
    PRINT = "print"
    MACHINED = "machined"


Nominal = Annotated[Path, typer.Argument(metavar="NOMINAL", help="The CAD: STEP, or a mesh (STL, OBJ, PLY, 3MF).")]
ShownUnit = Annotated[LengthUnit | None, typer.Option("--unit", help="Unit to write in, and of a file without one.")]
NominalUnit = Annotated[LengthUnit | None, typer.Option(help="Unit of the CAD file, where it differs.")]
Json = Annotated[bool, typer.Option("--json", help="The result as JSON on standard output, and nothing else there.")]


def features(
    nominal: Nominal, *, unit: ShownUnit = None, nominal_unit: NominalUnit = None, as_json: Json = False
) -> None:
    """List the features of the CAD, which a plan can point at."""
    from worker.command.asking import nominal_file  # noqa: PLC0415 - see above
    from worker.command.nominal import list_here  # noqa: PLC0415

    raise typer.Exit(list_here(nominal_file(nominal, nominal_unit, unit), unit=unit, as_json=as_json))


@plan_app.command()
def check(  # noqa: PLR0913 - one parameter an option
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="A plan in YAML or JSON.")],
    *,
    nominal: Annotated[Path | None, typer.Option(help="The CAD, to check that it has what the plan names.")] = None,
    core: Annotated[
        list[str] | None, typer.Option("--core", metavar="NAME=FILE", help="A core as a solid; may be given again.")
    ] = None,
    part: Annotated[
        list[str] | None,
        typer.Option("--part", metavar="NAME=FILE", help="A bought-in part for the mock-up; may be given again."),
    ] = None,
    unit: Annotated[LengthUnit | None, typer.Option(help="Unit of CAD files that carry none.")] = None,
    nominal_unit: NominalUnit = None,
    as_json: Json = False,
) -> None:
    """Say whether a plan reads, and what each line of it comes to on the CAD."""
    from worker.command.asking import bodies_of, nominal_file, with_unit  # noqa: PLC0415 - see above
    from worker.command.checking import check_here  # noqa: PLC0415

    file = None if nominal is None else nominal_file(nominal, nominal_unit, unit)
    raise typer.Exit(
        check_here(plan, file, with_unit(bodies_of(core or (), part or ()), nominal_unit or unit), as_json=as_json)
    )


@plan_app.command()
def draft(  # noqa: PLR0913 - one parameter an option
    nominal: Nominal,
    *,
    general: Annotated[
        str, typer.Option(help="General tolerances: 'ISO 2768-m', 'ISO 8062-3 DCTG 10', 'ISO 286 IT14'.")
    ] = "ISO 2768-m",
    kind: Annotated[Kind, typer.Option(help="What will be scanned.")] = Kind.CASTING,
    unit: ShownUnit = None,
    nominal_unit: NominalUnit = None,
    out: Annotated[Path | None, typer.Option(help="File for the plan.  [default: standard output]")] = None,
) -> None:
    """Write a starting plan from what is found on the CAD: a guess to correct, line by line."""
    from worker.command.asking import nominal_file  # noqa: PLC0415 - see above
    from worker.command.drafting import draft_here  # noqa: PLC0415

    file = nominal_file(nominal, nominal_unit, unit)
    raise typer.Exit(draft_here(file, general=general, kind=kind.value, unit=unit, out=out))


def repeat(
    reports: Annotated[list[Path], typer.Argument(metavar="REPORT...", help="report.json files, or their folders.")],
    *,
    calibrated: Annotated[
        Path | None, typer.Option(help="Calibrated values of the piece (YAML): gives bias and U by ISO 15530-3.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="File for the substitution block.")] = None,
    as_json: Json = False,
) -> None:
    """Say how well several inspections of one piece agree."""
    from worker.command.repeating import repeat_here  # noqa: PLC0415 - see above

    raise typer.Exit(repeat_here(reports, calibrated=calibrated, out=out, as_json=as_json))


def add_commands(app: typer.Typer) -> None:
    """Put them into the main command."""
    app.command()(features)
    app.add_typer(plan_app)
    app.command()(repeat)

"""The commands about access: ``key`` and ``workspace``.

They work on the database itself, so that there can be a first key.  As in
:mod:`worker.command.main`, nothing heavy is imported before a command runs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from shared.access import DEFAULT_WORKSPACE, Scope

key_app = typer.Typer(name="key", help="Access keys.", no_args_is_help=True, rich_markup_mode=None)
workspace_app = typer.Typer(
    name="workspace",
    help="Workspaces: nothing of one is visible in another.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

DataDir = Annotated[Path | None, typer.Option(help="Folder of the service's database, as for 'firstpour serve'.")]
Workspace = Annotated[str, typer.Option(help="Workspace, by id or name.")]
Json = Annotated[bool, typer.Option("--json", help="The result as JSON on standard output, and nothing else there.")]
KeyId = Annotated[str, typer.Argument(metavar="KEY_ID", help="Id of the key, such as key_4d3c..., not the key itself.")]


@key_app.command("create")
def create_key(  # noqa: PLR0913 - one parameter an option
    name: Annotated[str, typer.Argument(metavar="NAME", help="Whose key it is, for lists and the audit log.")],
    *,
    scopes: Annotated[str, typer.Option(help=f"Comma-separated, of {', '.join(Scope)}; none includes another.")],
    workspace: Workspace = DEFAULT_WORKSPACE,
    expires: Annotated[str | None, typer.Option(help="When it ends: 90d, 12h or 2026-12-31.  [default: never]")] = None,
    data_dir: DataDir = None,
    as_json: Json = False,
) -> None:
    """Make a key and print it, this once."""
    from worker.command.keys_here import Asked, create_key_here  # noqa: PLC0415 - see above

    asked = Asked(name=name, scopes=scopes, workspace=workspace, expires=expires)
    raise typer.Exit(create_key_here(asked, data_dir, as_json=as_json))


@key_app.command("list")
def list_keys(*, workspace: Workspace = DEFAULT_WORKSPACE, data_dir: DataDir = None, as_json: Json = False) -> None:
    """List the keys of a workspace, without their secrets."""
    from worker.command.keys_here import list_keys_here  # noqa: PLC0415 - see above

    raise typer.Exit(list_keys_here(workspace, data_dir, as_json=as_json))


@key_app.command("revoke")
def revoke_key(key_id: KeyId, *, data_dir: DataDir = None, as_json: Json = False) -> None:
    """End a key at once, and the browsers signed in with it."""
    from worker.command.keys_here import revoke_key_here  # noqa: PLC0415 - see above

    raise typer.Exit(revoke_key_here(key_id, data_dir, as_json=as_json))


@key_app.command("rotate")
def rotate_key(
    key_id: KeyId,
    *,
    overlap: Annotated[str, typer.Option(help="How long the old key goes on working, such as 12h or 7d.")] = "1d",
    data_dir: DataDir = None,
    as_json: Json = False,
) -> None:
    """Make a key in place of another on the same terms, and print it, this once."""
    from worker.command.keys_here import rotate_key_here  # noqa: PLC0415 - see above

    raise typer.Exit(rotate_key_here(key_id, overlap, data_dir, as_json=as_json))


@workspace_app.command("create")
def create_workspace(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What to call it.")],
    *,
    data_dir: DataDir = None,
    as_json: Json = False,
) -> None:
    """Make a workspace."""
    from worker.command.keys_here import create_workspace_here  # noqa: PLC0415 - see above

    raise typer.Exit(create_workspace_here(name, data_dir, as_json=as_json))


@workspace_app.command("list")
def list_workspaces(*, data_dir: DataDir = None, as_json: Json = False) -> None:
    """List the workspaces."""
    from worker.command.keys_here import list_workspaces_here  # noqa: PLC0415 - see above

    raise typer.Exit(list_workspaces_here(data_dir, as_json=as_json))

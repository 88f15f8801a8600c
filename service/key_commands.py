"""Command line, keys: create, list, revoke."""

import sys
from datetime import date, datetime, time, timedelta
from typing import Annotated

import typer

from models.access import ROLES
from service import terminal
from service.command_options import AsJson, LastDay, write_json
from service.databases import opened
from service.schemas.access import KeyOut
from service.settings import now
from service.use_cases import manage_keys

app = typer.Typer(name="key", help="Keys: who may ask over HTTP, and for what.", no_args_is_help=True)
out, err = terminal.console(sys.stdout), terminal.console(sys.stderr)


@app.command("create")
def create_command(
    context: typer.Context,
    role: Annotated[str, typer.Argument(help=f"One of {', '.join(ROLES)}.")],
    holder: Annotated[str, typer.Option(help="The person or program it belongs to.")],
    expires: LastDay = None,
    json: AsJson = False,
) -> None:
    """Make a key and show it, once."""
    expires_at = None if expires is None else _end_of(expires)
    with opened(context.obj) as engines:
        made = manage_keys.create_key(engines, role=role, holder=holder, expires_at=expires_at)
    if json:
        write_json(made)
        return
    err.print(f"Key {made.id}, {made.role}, {made.holder}. It is shown this once:", markup=False, highlight=False)
    sys.stdout.write(f"{made.key}\n")


@app.command("list")
def list_command(context: typer.Context, json: AsJson = False) -> None:
    """List the keys there are and were."""
    with opened(context.obj) as engines:
        listed = list(manage_keys.list_keys(engines).rows())
    if json:
        write_json(listed)
    else:
        terminal.show_table(out, "Keys", KeyOut.__struct_fields__, listed)


@app.command("revoke")
def revoke_command(
    context: typer.Context,
    key_id: Annotated[int, typer.Argument(min=1, help="Its number in the list.")],
    json: AsJson = False,
) -> None:
    """Refuse a key from now on."""
    with opened(context.obj) as engines:
        revoked = manage_keys.revoke_key(engines, key_id)
    if json:
        write_json(revoked)
    else:
        out.print(f"Key {revoked.id}, {revoked.role}, {revoked.holder}: revoked.", markup=False, highlight=False)


def _end_of(day: date) -> datetime:
    return datetime.combine(day + timedelta(days=1), time.min, tzinfo=now().astimezone().tzinfo)

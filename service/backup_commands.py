"""Command line: back up, and bring back."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from models.engine import open_engines
from service import terminal
from service.command_options import AsJson, write_json
from service.databases import opened
from service.use_cases import keep_copies

out = terminal.console(sys.stdout)


def backup_command(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(dir_okay=False, help="Where the copy goes.")],
    json: AsJson = False,
) -> None:
    """Copy the database to a file while it is served; the file is there whole or not at all."""
    with opened(context.obj):
        keep_copies.back_up(context.obj, file)
    if json:
        write_json({"file": str(file)})
    else:
        out.print(f"Backed up to {file}.", markup=False, highlight=False)


def restore_command(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(dir_okay=False, help="What backup made.")],
    json: AsJson = False,
) -> None:
    """Put a copy in the place of all that the database holds, in one go; it may be served meanwhile."""
    keep_copies.bring_back(context.obj, file)
    engines = open_engines(context.obj)
    try:
        keep_copies.check_integrity(engines)
    finally:
        engines.reader.dispose()
    if json:
        write_json({"file": str(file)})
    else:
        out.print(f"The database is as it was backed up in {file}.", markup=False, highlight=False)

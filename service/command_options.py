"""What commands have in common: answers for programs, days as they are written, and how anything wrong is told."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from typing import Annotated

import msgspec
import typer
from sqlalchemy.exc import ArgumentError, DatabaseError
from typer.exceptions import TyperException

from forecasting.errors import ForecastingError
from models.base import StorageError
from service import terminal
from service.settings import code_version

BAD_INPUT, FAILED = 2, 1
ADDRESSES = "sqlite:///FILE or postgresql://USER@HOST/NAME; ?synchronous= is NORMAL or FULL, of SQLite"
CONVERTED = "Value error, "
"""What the framework writes before what is wrong with an option."""

err = terminal.console(sys.stderr)


def day_of(text: str) -> date:
    """Read a day of the command line.

    Parameters
    ----------
    text : str
        As somebody typed it.

    Returns
    -------
    date
        The day.

    Raises
    ------
    BadParameter
        If it isn't one.
    """
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text} is not a date like 2026-06-30") from error


def show_version(wanted: bool) -> None:  # noqa: FBT001 (the framework hands it over so)
    """Say which version this is and end.

    Parameters
    ----------
    wanted : bool
        Whether the option was given.

    Raises
    ------
    Exit
        If so.
    """
    if wanted:
        sys.stdout.write(f"valve-kits {code_version()}\n")
        raise typer.Exit


AsJson = Annotated[bool, typer.Option("--json", help="For programs: one JSON document on standard output.")]
Day = Annotated[
    date | None, typer.Option("--as-of", parser=day_of, metavar="DATE", help="Data cut-off; default today.")
]
LastDay = Annotated[
    date | None, typer.Option(parser=day_of, metavar="DATE", help="The last day it counts; for ever without.")
]
Version = Annotated[
    bool, typer.Option("--version", is_eager=True, callback=show_version, help="Say which version this is.")
]


def write_json(document: object) -> None:
    """Write an answer for a program.

    Parameters
    ----------
    document : object
        What it holds.
    """
    sys.stdout.write(msgspec.json.encode(document).decode() + "\n")


@contextmanager
def told_in_a_sentence() -> Iterator[None]:
    """End with one clear sentence and a status, without a traceback, if something goes wrong in the context.

    The status is 2 where the caller can mend it by asking otherwise, else 1.

    Yields
    ------
    None
        To do what was asked.
    """
    try:
        yield
    except TyperException as error:
        _end(error.format_message(), help_of(error), status=BAD_INPUT)
    except (ForecastingError, StorageError) as error:
        _end(str(error), status=BAD_INPUT)
    except ArgumentError:
        # the address is not repeated: it may hold a password
        _end(f"--database is not {ADDRESSES}", status=BAD_INPUT)
    except DatabaseError as error:
        _end(f"the database can't be reached or read: {error.orig}", status=FAILED)
    except OSError as error:
        place = "" if error.filename is None else f"{error.filename}: "
        _end(f"{place}{error.strerror or error}", status=FAILED)


def help_of(error: TyperException) -> str:
    """Say where more is told of a command that was called wrongly.

    Parameters
    ----------
    error : TyperException
        What was wrong.

    Returns
    -------
    str
        Empty if the command isn't known.
    """
    context = getattr(error, "ctx", None)
    return "" if context is None else f" ({context.command_path} --help)"


def _end(sentence: str, more: str = "", *, status: int) -> None:
    line = " ".join(sentence.replace(CONVERTED, "").split()).rstrip(".")
    err.print(f"valve-kits: {line}{more}", markup=False, highlight=False, soft_wrap=True)
    sys.exit(status)

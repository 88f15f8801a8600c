"""What the operator may set, and the only place that reads the clock."""

import getpass
import os
import platform
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from importlib.metadata import version
from typing import Literal

from forecasting.errors import InvalidInput

Access = Literal["open", "keys"]

DATABASE_VARIABLE = "VALVE_KITS_DATABASE"
CLUSTER_VARIABLE = "VALVE_KITS_CLUSTER"
PROCESSES_VARIABLE = "VALVE_KITS_PROCESSES"
DEFAULT_DATABASE = "sqlite:///valve-kits.sqlite"
DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8000
DEFAULT_IMPORT_LIMIT_MIB = 64
DEFAULT_IMPORT_LIMIT_ROWS = 2_000_000
DEFAULT_REQUESTS_PER_MINUTE = 600
DEFAULT_NIGHTLY_AT = "05:00"
MEBIBYTE = 1024 * 1024
STALE_AFTER = timedelta(days=3)  # a run every night may fail twice


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What the server was started with.

    Parameters
    ----------
    database_url : str
        Where the plant's record is.
    access : 'open' or 'keys'
        Who may ask: anyone on this computer, or holders of a key.
    port : int
        The port a Host header may name when access is open.
    import_limit_bytes : int [bytes]
        The largest file that is read.
    import_limit_rows : int [rows]
        The most rows that are taken in one import over HTTP.
    requests_per_minute : int
        How often a key may ask, averaged over a minute; access without keys is not limited.
    """

    database_url: str
    access: Access = "keys"
    port: int = DEFAULT_PORT
    import_limit_bytes: int = DEFAULT_IMPORT_LIMIT_MIB * MEBIBYTE
    import_limit_rows: int = DEFAULT_IMPORT_LIMIT_ROWS
    requests_per_minute: int = DEFAULT_REQUESTS_PER_MINUTE


def processes() -> int:
    """Read how many processes of this computer a run may compute in.

    Returns
    -------
    int
        1 where nothing is said.

    Raises
    ------
    InvalidInput
        If what is said isn't a number from 1 on.
    """
    said = os.environ.get(PROCESSES_VARIABLE, "1")
    if not said.isdecimal() or int(said) < 1:
        raise InvalidInput(f"{PROCESSES_VARIABLE} is {said!r}, expected a number from 1 on")
    return int(said)


def now() -> datetime:
    """Say the present moment.

    Returns
    -------
    datetime
        In UTC, aware.
    """
    return datetime.now(tz=UTC)  # noqa: TID251 - the one place that reads the clock


def today() -> date:
    """Say the day it is on this computer.

    Returns
    -------
    date
        In the computer's own time zone.
    """
    return now().astimezone().date()


def host_name() -> str:
    """Say which computer, or container, this is.

    Returns
    -------
    str
        Its name; process ids mean something on it only.
    """
    return platform.node()


def user_name() -> str:
    """Say who works at this computer.

    Returns
    -------
    str
        The name of the user, or the number where there is no name, as in some containers.
    """
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"user {os.getuid()}"


@cache  # reading it takes longer than most answers
def code_version() -> str:
    """Say which version of the code runs.

    Returns
    -------
    str
        The version of the installed package.
    """
    return version("valve-kits")

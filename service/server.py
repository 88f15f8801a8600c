"""The HTTP server: one process, ended by SIGINT or SIGTERM."""

import asyncio
import signal

from granian.constants import HTTPModes, Interfaces
from granian.log import LogLevels
from granian.server.embed import Server

from forecasting.errors import InvalidInput
from service.app import create_app
from service.front_door import is_loopback
from service.settings import Settings

LOCALHOST = "127.0.0.1"


def serve(settings: Settings, *, host: str) -> None:
    """Answer requests until told to stop.

    Parameters
    ----------
    settings : Settings
        What is served, and to whom.
    host : str
        The address to listen at.

    Raises
    ------
    InvalidInput
        If access is open and another computer could reach the address.
    """
    if settings.access == "open" and not is_loopback(host):
        raise InvalidInput(f"--open serves this computer alone: --host is {host}, expected 127.0.0.1, ::1 or localhost")
    asyncio.run(_serve(settings, LOCALHOST if host == "localhost" else host))


async def _serve(settings: Settings, host: str) -> None:
    server = Server(
        create_app(settings),
        address=host,
        port=settings.port,
        interface=Interfaces.ASGI,
        http=HTTPModes.http1,
        websockets=False,
        log_access=False,
        log_level=LogLevels.error,
    )
    loop = asyncio.get_running_loop()
    for stop_signal in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(stop_signal, server.stop)
    await server.serve()

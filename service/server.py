"""The HTTP server: one process, ended by SIGINT or SIGTERM."""

import asyncio
import signal
import socket

from granian.constants import HTTPModes, Interfaces
from granian.log import LogLevels
from granian.server.embed import Server

from forecasting.errors import InvalidInput
from models.base import Conflict
from service.access_rules import is_loopback
from service.app import create_app
from service.settings import Settings

LOCALHOST = "127.0.0.1"
# Clients keep their connections open; beyond these the next one waits until one is closed, however little is asked.
CONNECTIONS = 1024


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
    Conflict
        If the address or its port can't be listened at.
    """  # noqa: DOC502 (Conflict comes from _expect_free)
    if settings.access == "open" and not is_loopback(host):
        raise InvalidInput(f"--open serves this computer alone: --host is {host}, expected 127.0.0.1, ::1 or localhost")
    address = LOCALHOST if host == "localhost" else host
    _expect_free(address, settings.port)
    asyncio.run(_serve(settings, address))


def _expect_free(address: str, port: int) -> None:
    # the server itself would share a port that is served already, and each request go to one of the two
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            raise Conflict(f"can't listen at {address}, port {port}: {error.strerror}") from error


async def _serve(settings: Settings, host: str) -> None:
    server = Server(
        create_app(settings),
        address=host,
        port=settings.port,
        backlog=CONNECTIONS,
        backpressure=CONNECTIONS,
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

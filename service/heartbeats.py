"""Saying again and again, beside the work, that the process that does it lives."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Event, Thread

import structlog

from models.base import Busy, Conflict

BEAT_SECONDS = 30.0

log = structlog.get_logger()


def go_on() -> None:
    """Leave the work to end by itself: what it would store is refused anyway."""


@contextmanager
def beating(
    renew: Callable[[], None], *, seconds: float = BEAT_SECONDS, lost: Callable[[], None] = go_on
) -> Iterator[None]:
    """Renew a lease while something is done.

    Parameters
    ----------
    renew : callable
        Renews it; Conflict, if somebody else has it, ends the renewing and not the work: what the work would store
        is refused anyway.
    seconds : float [s]
        Between two renewals.
    lost : callable
        Called, in a thread of its own, if somebody else has it.

    Yields
    ------
    None
        Once the lease has been renewed a first time.
    """
    ended = Event()

    def beat() -> None:
        while not ended.wait(seconds):
            try:
                renew()
            except Conflict as error:
                log.warning("lease lost", reason=str(error))
                lost()
                return
            except Busy:
                log.info("lease not renewed: the database is busy")
            except Exception as error:
                log.warning("lease not renewed", exc_info=error)

    renew()
    thread = Thread(target=beat, name="heartbeat", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()

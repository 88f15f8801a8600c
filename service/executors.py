"""Where the numerics of a run are computed: in its own process, in several of this computer, or on a cluster."""

import os
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context, parent_process
from threading import Thread

from forecasting.errors import InvalidInput
from forecasting.executors import HERE
from service.settings import CLUSTER_VARIABLE, processes

__all__ = ["chosen_executor"]

CONNECT_SECONDS = 20.0


@contextmanager
def chosen_executor() -> Iterator[Executor]:
    """Open what the environment names: a cluster, else several processes, else nothing but this process.

    Yields
    ------
    Executor
        Closed on leaving.

    Raises
    ------
    InvalidInput
        If no cluster answers, or a setting isn't what it should be.
    """  # noqa: DOC502 (comes from those it opens)
    address, count = os.environ.get(CLUSTER_VARIABLE, ""), processes()
    if address:
        with _cluster(address) as executor:
            yield executor
    elif count == 1:
        yield HERE
    else:
        with _pool(count) as executor:
            yield executor


def _pool(count: int) -> ProcessPoolExecutor:
    # spawned: a fork would take the threads' locks along
    return ProcessPoolExecutor(count, mp_context=get_context("spawn"), initializer=_end_with_parent)


def _end_with_parent() -> None:
    """See to it that a run that is killed leaves no process behind that waits for work."""
    Thread(target=_wait_for_parent, daemon=True).start()


def _wait_for_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError as error:
        raise InvalidInput(
            f"{CLUSTER_VARIABLE} is set, but what it needs isn't installed: the extra `cluster`"
        ) from error
    try:
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InvalidInput(f"{CLUSTER_VARIABLE}: no cluster answers at {address}") from error
    with client, client.get_executor(pure=False) as executor:
        yield executor

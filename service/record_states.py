"""Which state the record is in when a request comes: every answer of a state may be given again while it lasts."""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date

from models.commit_watch import CommitWatch
from models.engine import Engines
from models.queries.revisions import data_revision
from models.queries.run_log import latest_finished
from models.runs import Run
from service import settings
from service.db import read_session
from service.use_cases.choose_run import is_stale, stale_notice


@dataclass(frozen=True, kw_only=True)
class RecordState:
    """What an answer may depend on besides its request.

    Parameters
    ----------
    revision : str
        Another one after every change of the record, on every day, and when the forecast grows stale.
    day : date
        The day it is.
    run : Run or None
        The latest finished one.
    is_stale : bool
        Whether that is older than it should be.
    """

    revision: str
    day: date
    run: Run | None
    is_stale: bool


def read_state(engines: Engines) -> RecordState:
    """Read the state from the record.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    RecordState
        As of some moment of the call.
    """
    day, at = settings.today(), settings.now()
    with read_session(engines) as session:
        # lots expire and a forecast grows stale without anything being written
        revision = f"{day} {data_revision(session)} {stale_notice(session, at=at)}"
        run = latest_finished(session)
    return RecordState(revision=revision, day=day, run=run, is_stale=is_stale(run, at=at))


class RecordStates:
    """Knows the state of the record, and reads it again only if something was committed since.

    Parameters
    ----------
    engines : Engines
        The database.
    """

    def __init__(self, engines: Engines) -> None:
        self._engines = engines
        self._watch = CommitWatch(engines)
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="record states")
        self._known: tuple[str, RecordState] | None = None
        self._asking: asyncio.Future[str] | None = None
        self._to_ask: asyncio.Future[str] | None = None

    async def now(self) -> RecordState:
        """Say which state the record is in.

        Returns
        -------
        RecordState
            Never older than what was committed before the call.
        """
        # the mark first: if something is committed in between, the state is read again next time
        mark = self._watch.mark() if self._watch.is_instant else await self._asked_together()
        if self._known is None or self._known[0] != mark or not _lasts(self._known[1]):
            self._known = mark, await asyncio.to_thread(read_state, self._engines)
        return self._known[1]

    def close(self) -> None:
        """Let go of the database."""
        self._thread.shutdown()
        self._watch.close()

    async def _asked_together(self) -> str:
        """Share one question with all who came before it was put: none of them sees less than was committed by then."""
        if self._to_ask is None:
            self._to_ask = asyncio.ensure_future(self._after(self._asking))
        return await asyncio.shield(self._to_ask)

    async def _after(self, asked: asyncio.Future[str] | None) -> str:
        if asked is not None:
            await asyncio.wait([asked])
        self._asking, self._to_ask = self._to_ask, None
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._watch.mark)


def _lasts(state: RecordState) -> bool:
    return state.day == settings.today() and state.is_stale == is_stale(state.run, at=settings.now())

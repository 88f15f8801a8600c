"""Was anything committed since, by whatever process: asked of the database over one connection kept for that."""

from typing import Any

from models.engine import Engines
from models.queries.revisions import DATA_REVISION

# SQLite counts, for each connection, what others committed; nothing is read from a table
COUNTED = "PRAGMA data_version"
STATED = f"SELECT value FROM database_facts WHERE name = '{DATA_REVISION}'"  # noqa: S608 (a constant of ours)


class CommitWatch:
    """Tells states of the record apart; used by one thread at a time.

    Parameters
    ----------
    engines : Engines
        The database.
    """

    def __init__(self, engines: Engines) -> None:
        self._engines = engines
        self._connection: Any = None
        self._opened_times = 0
        self.is_instant = engines.reader.dialect.name == "sqlite"

    def mark(self) -> str:
        """Say which state the record is in, as of now.

        Returns
        -------
        str
            Another one after everything that was committed to the record; on SQLite also after a lease.
        """
        if self._connection is None:
            self._connection = self._opened()
        try:
            cursor = self._connection.cursor()
            cursor.execute(COUNTED if self.is_instant else STATED)
            # every row is fetched: a statement left half read would hold an old state of the record
            rows = cursor.fetchall()
            cursor.close()
        except Exception:
            self.close()
            raise
        # another connection counts anew, and may come to the same number
        return f"{self._opened_times if self.is_instant else ''} {rows[0][0] if rows else ''}"

    def close(self) -> None:
        """Let go of the connection; the next question opens another."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def _opened(self) -> Any:
        self._opened_times += 1
        taken = self._engines.reader.raw_connection()
        connection: Any = taken.driver_connection
        taken.detach()
        if self.is_instant:
            # asked on the thread of the server, which waits for nobody
            connection.execute("PRAGMA busy_timeout=0")
        else:
            # each question sees what is committed by then
            connection.rollback()
            connection.autocommit = True
        return connection

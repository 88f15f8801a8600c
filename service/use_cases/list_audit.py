"""The audit trail: what was done, and to which rows."""

from models.engine import Engines
from models.queries import audit
from service.db import read_session
from service.listings import Listing, Part, cut
from service.schemas.access import AuditChangeOut, AuditEntryOut
from service.schemas.results import Page, from_row


def list_entries(engines: Engines) -> Listing[AuditEntryOut]:
    """List what was done, the newest first.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    Listing
        One row for each request or command that changed something.
    """

    def read(before: int, limit: int) -> Part[AuditEntryOut]:
        with read_session(engines) as session:
            stored = audit.list_entries(session, before=before or None, limit=limit + 1)
        return cut(stored, limit=limit, shape=lambda entry: from_row(AuditEntryOut, entry))

    return Listing(shape=AuditEntryOut, read=read, top=Page[AuditEntryOut](value=()))


def list_changes(engines: Engines, entry_id: int) -> Listing[AuditChangeOut]:
    """List the rows that an entry is about, as they were and as they are.

    Parameters
    ----------
    engines : Engines
        The database.
    entry_id : int
        Which entry.

    Returns
    -------
    Listing
        One row for each row changed; rows that an import created are only counted.
    """

    def read(after: int, limit: int) -> Part[AuditChangeOut]:
        with read_session(engines) as session:
            stored = audit.list_changes(session, entry_id, after=after, limit=limit + 1)
        return cut(stored, limit=limit, shape=lambda change: from_row(AuditChangeOut, change, key=change.record_key))

    return Listing(shape=AuditChangeOut, read=read, top=Page[AuditChangeOut](value=()))

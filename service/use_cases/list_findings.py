"""What in the record can't be true or can't be used, as a run met it, with what was decided about it."""

from models.engine import Engines
from models.queries import findings
from models.queries.findings import FindingFilter, FoundAndClosed
from service.db import read_session
from service.listings import Listing, Part, cut
from service.schemas.findings import FindingOut
from service.schemas.results import Page, from_row
from service.use_cases.choose_run import choose_run, notice


def list_findings(engines: Engines, *, run_id: int | None, wanted: FindingFilter) -> Listing[FindingOut]:
    """List findings of a run.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    wanted : FindingFilter
        Which of them.

    Returns
    -------
    Listing
        One row per finding.
    """
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        said = notice(session)

    def read(after: int, limit: int) -> Part[FindingOut]:
        with read_session(engines) as session:
            stored = findings.list_findings(session, run.id, wanted, after=after, limit=limit + 1)
        return cut(stored, limit=limit, shape=shape_finding)

    top = Page[FindingOut](value=(), run=run.id, as_of=run.as_of, notice=said)
    return Listing(shape=FindingOut, read=read, top=top)


def shape_finding(stored: FoundAndClosed) -> FindingOut:
    """Shape a finding for the way out.

    Parameters
    ----------
    stored : FoundAndClosed
        As it is stored.

    Returns
    -------
    FindingOut
        Open where nobody closed it.
    """
    closing = stored.closing
    return from_row(
        FindingOut,
        stored.finding,
        decision=None if closing is None else closing.decision,
        reason=None if closing is None else closing.reason,
        closed_by=None if closing is None else closing.holder,
        closed_at=None if closing is None else closing.closed_at,
    )

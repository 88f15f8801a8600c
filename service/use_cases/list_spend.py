"""What a run says kits will cost outside turnarounds, by area and period."""

from models.engine import Engines
from models.queries.spending import SpendFilter, list_spend
from models.runs import Run
from models.spending import RunSpend
from service.db import read_session
from service.listings import Listing, Part, cut
from service.schemas.results import Page, from_row
from service.schemas.spend import SpendOut
from service.use_cases.choose_run import choose_run, notice


def list_spending(engines: Engines, *, run_id: int | None, wanted: SpendFilter) -> Listing[SpendOut]:
    """List what kits will cost.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    wanted : SpendFilter
        Where and when.

    Returns
    -------
    Listing
        One row per area, period and kind.
    """
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        said = notice(session)

    def read(after: int, limit: int) -> Part[SpendOut]:
        with read_session(engines) as session:
            stored = list_spend(session, run.id, wanted, after=after, limit=limit + 1)
        return cut(stored, limit=limit, shape=lambda row: _shape(run, row))

    top = Page[SpendOut](value=(), run=run.id, as_of=run.as_of, notice=said)
    return Listing(shape=SpendOut, read=read, top=top)


def _shape(run: Run, row: RunSpend) -> SpendOut:
    without = row.details.get("kits_without_price", {})
    return from_row(SpendOut, row, method=run.method, kits_without_price="|".join(without))

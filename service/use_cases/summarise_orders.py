"""What changes if an order list is accepted: money, shortage, and the lines that matter."""

from msgspec import UNSET, structs

from models.base import NotFound
from models.engine import Engines
from models.queries import acceptances, results
from service.db import read_session
from service.listings import Listing, listing_of
from service.schemas.order_effects import OrderEffectOut
from service.translate_order_effects import LINES_THAT_MATTER, effects
from service.use_cases.choose_run import choose_run, notice
from service.use_cases.read_covering import EVERY_ROW, read_covering

TOLD = (
    "Shortage and the chance to run out are those of the time an order and the next review take; a kit short weighs "
    "20 where its valves stop the plant, 5 where they curtail it, else 1, or what such a failure costs where that is "
    f"stated; at most {LINES_THAT_MATTER} lines are listed. Lines decided since the forecast aren't in it: what was "
    "accepted of them counts as stock to come. Kits to be ordered for turnarounds aren't in it."
)


def summarise_orders(engines: Engines, *, run_id: int | None, storeroom: str | None) -> Listing[OrderEffectOut]:
    """Say what changes if everything a run proposes is accepted, but for what was accepted or declined since.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    storeroom : str or None
        Only of this storeroom.

    Returns
    -------
    Listing
        All kits together, then the lines that avoid most shortage.

    Raises
    ------
    NotFound
        If the run has no reorder point there.
    """
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        rows = results.reorder_points(session, run.id, storeroom=storeroom, kit=None, after=0, limit=EVERY_ROW)
        demand, said = read_covering(session, run.id, rows), notice(session)
        taken = acceptances.taken_of_run(session, run.id)
    if not rows:
        where = "" if storeroom is None else f" in storeroom {storeroom}"
        raise NotFound(f"run {run.id} has no reorder point{where}")
    listing = listing_of(
        OrderEffectOut, effects(rows, demand, taken), notice=TOLD if said is UNSET else f"{said}; {TOLD}"
    )
    top = structs.replace(listing.top, run=run.id, as_of=run.as_of)
    return Listing(shape=listing.shape, read=listing.read, top=top)

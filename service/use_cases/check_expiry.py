"""Which lots on the shelves have expired, and which soon will: looked at every day, told to whoever asks."""

from collections.abc import Sequence
from datetime import date, timedelta

from models.engine import Engines
from models.queries import records
from service.db import read_session
from service.listings import Listing, listing_of
from service.schemas.scheduling import ExpiringLotOut
from service.use_cases.choose_run import notice

SOON_DAYS = 90


def list_expiring_lots(engines: Engines, *, on: date, within_days: int) -> Listing[ExpiringLotOut]:
    """List lots that expire soon or have expired, the soonest first.

    Parameters
    ----------
    engines : Engines
        The database.
    on : date
        The day of the question.
    within_days : int [d]
        How far ahead to look.

    Returns
    -------
    Listing
        One row per lot of which there is something left; a lot without a date isn't among them.
    """
    with read_session(engines) as session:
        lots = [lot for lot in records.read_all(session, "lots") if lot["qty"] and lot["expires_on"] is not None]
        said = notice(session)
    until = on + timedelta(days=within_days)
    rows = [
        ExpiringLotOut(
            storeroom=str(lot["storeroom"]),
            kit=str(lot["kit"]),
            lot=str(lot["lot"]),
            qty=int(lot["qty"]),
            expires_on=lot["expires_on"],
            days_left=(lot["expires_on"] - on).days,
        )
        for lot in lots
        if lot["expires_on"] <= until
    ]
    return listing_of(ExpiringLotOut, sorted(rows, key=_soonest_first), notice=said)


def expiry_in_words(lots: Sequence[ExpiringLotOut]) -> str:
    """Say what an expiry check found.

    Parameters
    ----------
    lots : sequence of ExpiringLotOut
        Expired, or expiring soon.

    Returns
    -------
    str
        One sentence.
    """
    # a lot may be used on the day it expires
    expired = [lot for lot in lots if lot.days_left < 0]
    return (
        f"{len(expired)} lots with {sum(lot.qty for lot in expired)} kits have expired, "
        f"{len(lots) - len(expired)} more expire within {SOON_DAYS} days."
    )


def _soonest_first(lot: ExpiringLotOut) -> tuple[date, str, str, str]:
    return lot.expires_on, lot.storeroom, lot.kit, lot.lot

"""Demand that stock must cover, as a run stored it."""

from collections.abc import Sequence

from models.base import Session
from models.queries import results
from models.queries.results import DemandFilter, Whose
from models.runs import RunReorderPoint

EVERY_ROW = 1_000_000
Key = tuple[str, str]
"""Storeroom and kit, as keys."""


def read_covering(session: Session, run_id: int, rows: Sequence[RunReorderPoint]) -> dict[Key, Sequence[float]]:
    """Read the demand in the protection intervals of reorder points.

    Parameters
    ----------
    session : Session
        A reader's.
    run_id : int
        Whose.
    rows : sequence of RunReorderPoint
        Of it.

    Returns
    -------
    dict from (storeroom, kit) to probabilities
        By keys; none where none was stored, or retention dropped it.
    """
    found: dict[Key, Sequence[float]] = {}
    for code in sorted({row.storeroom for row in rows}):
        wanted = DemandFilter(whose=Whose(storeroom=code), bucket="protection_interval")
        for one in results.demand(session, run_id, wanted, after=0, limit=EVERY_ROW):
            if one.probabilities:
                found[one.storeroom_key, one.kit_key] = one.probabilities
    return found

"""From reservations to kits that the forecast doesn't hold."""

from collections import defaultdict
from collections.abc import Iterable, Mapping

from service.schemas.records import ReservationRecord

Key = tuple[str, str]
"""Storeroom and kit."""


def reservations_by_key(
    reservations: Iterable[ReservationRecord], counts_as: Mapping[str, str]
) -> dict[Key, tuple[ReservationRecord, ...]]:
    """Sort reservations by storeroom and kit.

    Parameters
    ----------
    reservations : iterable of ReservationRecord
        Of the record.
    counts_as : mapping from code to code
        Old kits that count as their successor.

    Returns
    -------
    dict from (storeroom, kit) to tuple of ReservationRecord
        Without those that name no storeroom.
    """
    by_key: dict[Key, list[ReservationRecord]] = defaultdict(list)
    for one in reservations:
        if one.storeroom is not None:
            by_key[one.storeroom, counts_as.get(one.kit, one.kit)].append(one)
    return {key: tuple(rows) for key, rows in by_key.items()}


def reserved_outside(reserved: Iterable[ReservationRecord], valves: frozenset[str], *, last: float) -> int:
    """Count kits reserved for what the forecast doesn't hold.

    A reservation for a valve that takes the kit is one need with the forecast's; one for a turnaround is ordered for
    its date.

    Parameters
    ----------
    reserved : iterable of ReservationRecord
        Of one kit in one storeroom.
    valves : frozenset of str [tags]
        Those that take the kit from there.
    last : float [day number]
        End of the protection interval; what is needed later isn't counted.

    Returns
    -------
    int [kits]
        A reservation without a day counts.
    """
    return sum(
        one.qty
        for one in reserved
        if one.turnaround is None
        and one.tag not in valves
        and (one.needed_on is None or one.needed_on.toordinal() <= last)
    )

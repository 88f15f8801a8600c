"""Which valves lie in the shop: places and their exchanges in, the valves taken out and not fitted again out."""

from collections.abc import Sequence
from dataclasses import dataclass

from models.base import code_key
from models.partial_days import in_order
from models.queries.spare_valves import Exchange, Place

UNRECORDED = "its serial isn't recorded: whether it was fitted again, nobody can tell"
FROM_REGISTER = "its serial is the one the register still names for this place"


@dataclass(frozen=True, kw_only=True)
class Spare:
    """A valve out of its place: where from, by which exchange, and its serial where that can be told."""

    place: Place
    exchange: Exchange
    serial: str | None
    note: str | None


def spares(places: Sequence[Place]) -> list[Spare]:
    """Find the valves that exchanges took out and that aren't fitted again.

    What an exchange took out is what the exchange before it had fitted. What the first one took out is known only
    where the register still names a serial that none of the exchanges of the place fitted. A valve is fitted again
    where a later exchange fitted its serial, or stands in a place in service for which only the register tells.

    Parameters
    ----------
    places : sequence of Place
        All of them.

    Returns
    -------
    list of Spare
        Place by place, in order of the days they were taken out.
    """
    fitted: dict[str, list[Exchange]] = {}
    for place in places:
        for exchange in place.exchanges:
            if exchange.serial_fitted:
                fitted.setdefault(code_key(exchange.serial_fitted), []).append(exchange)
    standing = {
        code_key(place.serial) for place in places if place.serial and not place.removed and not place.exchanges
    }
    return [
        spare
        for place in places
        for spare in _taken_out(place)
        if spare.serial is None
        or not (
            code_key(spare.serial) in standing
            or any(_after(again, spare.exchange) for again in fitted.get(code_key(spare.serial), ()))
        )
    ]


def _taken_out(place: Place) -> list[Spare]:
    named = {code_key(one.serial_fitted) for one in place.exchanges if one.serial_fitted}
    all_named = all(one.serial_fitted for one in place.exchanges)
    first = place.serial if all_named and place.serial and code_key(place.serial) not in named else None
    before = [first, *(one.serial_fitted for one in place.exchanges)]
    return [
        Spare(place=place, exchange=exchange, serial=serial, note=_note(serial, first))
        for exchange, serial in zip(place.exchanges, before, strict=False)
    ]


def _note(serial: str | None, first: str | None) -> str | None:
    if serial is None:
        return UNRECORDED
    return FROM_REGISTER if serial == first else None


def _after(again: Exchange, taken_out: Exchange) -> bool:
    return again.event != taken_out.event and in_order(taken_out.done_on, again.done_on)

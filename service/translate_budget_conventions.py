"""By what conventions the budget of a turnaround is reckoned, in words; and its whole basis as rows of a table."""

from collections.abc import Iterator, Sequence
from datetime import date

from service.schemas.records import ClosureRecord
from service.schemas.turnarounds import BasisOut, BasisRowOut, PriceOut


def conventions(
    prices: Sequence[PriceOut], closures: Sequence[ClosureRecord], *, as_of: date, starts_on: date
) -> list[str]:
    """Say by what conventions a budget is reckoned.

    Parameters
    ----------
    prices : sequence of PriceOut [money per kit]
        That it rests on.
    closures : sequence of ClosureRecord
        Of the record.
    as_of : date
        Data cut-off.
    starts_on : date
        First day of the turnaround.

    Returns
    -------
    list of str
        One sentence each: prices, opening cost, finds, lines, contingency, closed days, what isn't used.
    """
    return [
        _prices_hold(prices, starts_on),
        "kits in stock are valued like those bought: the base estimate is what the scope takes, not what is still to "
        "pay",
        "planned_cost is of one item renewed by itself, opening included and kits not; the opening's part of it is its "
        "part of the hours, and a valve is opened once, at the cost of the item that takes most to get at",
        "a kit that renews more covers the smaller ones; what is renewed at every opening comes along",
        "a find is an item worn or failed in a valve opened for something else: it is renewed there and then, at what "
        "is planned for it; how often is taken from the openings of the record, by service class and by what was found "
        "the time before, with its uncertainty",
        "what fails before the scope is frozen and waits, what fails after that and waits, and finds are lines of "
        "their own; none is in the base estimate",
        "the contingency is a percentile of the whole less the base estimate: it holds those lines and uncertain "
        "prices and hours, and is added once",
        _days_counted([one for one in closures if one.ends_on >= as_of and one.starts_on <= starts_on]),
        "unused kits go back to the shelf at what they cost; what cancelling, returning or expediting an order costs "
        "stands beside each kit where the record states it, and isn't in the budget",
    ]


def _days_counted(closures: Sequence[ClosureRecord]) -> str:
    if not closures:
        return "order-by dates count every day of the calendar, for the record holds no closure until then"
    told = ", ".join(
        f"{one.code} ({one.starts_on} to {one.ends_on})" for one in sorted(closures, key=lambda one: one.starts_on)
    )
    return f"order-by dates pass over the days of closures, on which nothing is ordered, made or delivered: {told}"


def _prices_hold(prices: Sequence[PriceOut], starts_on: date) -> str:
    stated = "prices of kits and costs of work are taken to hold until "
    dated = sorted(one.priced_on for one in prices if one.priced_on is not None)
    undated = [one.kit for one in prices if one.priced_on is None]
    if not prices:
        return f"{stated}{starts_on} as the record states them; no kit has a price"
    oldest = f", the oldest of {dated[0]}" if dated else ""
    unsaid = f"; of {len(undated)} of {len(prices)} nobody says from when" if undated else ""
    told = f"{stated}{starts_on} as the record states them{oldest}{unsaid}"
    return f"{told}; no rise is added, only the spread that is assumed"


def basis_rows(basis: BasisOut) -> list[BasisRowOut]:
    """Lay out a whole basis as rows.

    Parameters
    ----------
    basis : BasisOut
        Of a budget.

    Returns
    -------
    list of BasisRowOut
        Data cut-off and method first, then models, finds, prices, conventions, assumptions, exclusions.
    """
    return list(_rows(basis))


def _rows(basis: BasisOut) -> Iterator[BasisRowOut]:
    yield BasisRowOut(part="as_of", of=None, said=basis.as_of.isoformat())
    yield BasisRowOut(part="method", of=None, said=basis.method)
    for model in basis.models:
        told = f"{model.family}, scale {model.scale_days:g} days, shape {model.shape:g}, {model.source}"
        yield BasisRowOut(part="model", of=f"{model.service_class}: {model.maintainable_item}", said=told)
    for find in basis.finds:
        told = f"found worn or failed in {find.found} of {find.openings} openings for something else"
        yield BasisRowOut(
            part="find",
            of=f"{find.service_class}: {find.maintainable_item}",
            said=f"{told}; {find.chance:.1%} expected where nobody wrote how it was found the time before",
        )
    for price in basis.prices:
        dated = "without a date" if price.priced_on is None else f"of {price.priced_on}"
        yield BasisRowOut(part="price", of=price.kit, said=f"{price.unit_cost} {dated}")
    parts = {"convention": basis.conventions, "assumption": basis.assumptions, "exclusion": basis.exclusions}
    for part, sentences in parts.items():
        for said in sentences:
            yield BasisRowOut(part=part, of=None, said=said)

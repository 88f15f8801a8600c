"""Where the items of like valves stand when the forecast starts: known ages, or ages with their weights."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from forecasting.ages import unknown_age
from forecasting.arrays import FloatArray
from forecasting.clocks import ItemAge
from forecasting.kit_links import ItemPlan, Link

__all__ = ["StartingAges", "stand_of", "starting_ages"]

AGES = 120
"""Ages that stand for one unknown start."""
OUTER_AGES, INNER_AGES = 40, 12
"""The same where two linked items are unknown: of the outer one, and of the inner one for each of them."""

Ages = tuple[float, ...]
Stand = tuple[str, int | None, int, int | None, bool]


@dataclass(frozen=True, kw_only=True)
class StartingAges:
    """Starting ages of a link and of what it is under, each once.

    Parameters
    ----------
    inner, outer : float array, shape (rows, items) [days]
        Of the link's items, and of those above it; infinite: failed and awaiting renewal.
    share : sparse array, shape (valves, rows) [1]
        What each valve has in each row; all in one where its ages are known.
    """

    inner: FloatArray
    outer: FloatArray
    share: csr_array


@dataclass(frozen=True, kw_only=True)
class _Mix:
    """Ages of one link on one valve with their weights, and how likely its record without a renewal is."""

    ages: list[Ages]
    weights: FloatArray
    log_chance: float


def _known(ages: Mapping[str, ItemAge], plans: Sequence[ItemPlan]) -> Ages | None:
    """Age of each item, infinite where it awaits renewal; None if one is unknown."""
    stands = [ages[plan.item] for plan in plans]
    if any(one.awaits_renewal for one in stands):
        return (np.inf,) * len(stands)
    if any(one.age is None for one in stands):
        return None
    return tuple(float(one.age or 0) for one in stands)


def _mixed(link: Link, ages: Mapping[str, ItemAge], *, in_place: float | None, parts: int) -> _Mix:
    """Weighted ages of one link: a single one where they are known."""
    known = _known(ages, link.plans)
    if known is not None:
        return _Mix(ages=[known], weights=np.ones(1), log_chance=0.0)
    first = ages[link.plans[0].item]
    survived = float(first.survived) if in_place is None else min(float(first.survived), in_place)
    mix = unknown_age(link.process, in_place=in_place, survived=survived, parts=parts)
    several = [(float(age),) * len(link.plans) for age in mix.ages]
    return _Mix(ages=several, weights=mix.weights, log_chance=mix.log_chance)


def _above(top: Link, below: Sequence[Link], ages: Mapping[str, ItemAge], *, parts: int) -> _Mix:
    """Ages of a link that renews those below it too, given that theirs are quiet records as well."""
    place = ages[top.plans[0].item].in_place
    mix = _mixed(top, ages, in_place=None if place is None else float(place), parts=parts)
    if len(mix.ages) == 1:
        return mix
    chance = sum(
        np.array([_mixed(link, ages, in_place=max(age), parts=INNER_AGES).log_chance for age in mix.ages])
        for link in below
    )
    weights = mix.weights * np.exp(chance - np.max(chance))
    return _Mix(ages=mix.ages, weights=weights / weights.sum(), log_chance=mix.log_chance)


def _starts(
    link: Link, below: Sequence[Link], ages: Mapping[str, ItemAge]
) -> Iterator[tuple[float, tuple[Ages, Ages]]]:
    """Weighted ages of a link and of what it is under; the inner one was fresh when the outer one last was."""
    if link.outer is None:
        mix = _above(link, below, ages, parts=AGES)
        yield from ((float(weight), (own, ())) for weight, own in zip(mix.weights, mix.ages, strict=True))
        return
    place = ages[link.plans[0].item].in_place
    above = _above(link.outer, below, ages, parts=OUTER_AGES)
    for weight, outer in zip(above.weights, above.ages, strict=True):
        since = max(outer) if np.isfinite(max(outer)) else None if place is None else float(place)
        mix = _mixed(link, ages, in_place=since, parts=INNER_AGES)
        yield from ((float(weight * part), (own, outer)) for part, own in zip(mix.weights, mix.ages, strict=True))


def stand_of(ages: Mapping[str, ItemAge]) -> tuple[Stand, ...]:
    """Tell where the items of a valve stand: valves that agree in it start alike.

    Parameters
    ----------
    ages : mapping from item to ItemAge [days]
        Of one valve.

    Returns
    -------
    tuple [days]
        All that starts are made from.

    References
    ----------
    Our own.

    Examples
    --------
    >>> stand_of({})
    ()
    """
    return tuple((one.item, one.age, one.survived, one.in_place, one.awaits_renewal) for one in ages.values())


def starting_ages(link: Link, valves: Sequence[Mapping[str, ItemAge]], *, below: Sequence[Link]) -> StartingAges:
    """Lay out where the items of a link stand, valves of one age on one row.

    Parameters
    ----------
    link : Link [days]
        The items and what they are under.
    valves : sequence of mappings from item to ItemAge [days]
        Where each valve's items stand.
    below : sequence of Link [days]
        All that is under it, or under what it is under: where starts are unknown, that nothing of them was renewed
        since the records begin says something of the age above.

    Returns
    -------
    StartingAges [days]
        A distribution where a start is unknown; never a made-up age.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> seat = Weibull(scale=1000.0, shape=1.0)
    >>> plan = ItemPlan(item="seat", lifetime=seat, interval=np.inf, kit="K", qty=1, renews=frozenset({"seat"}))
    >>> old = ItemAge(
    ...     valve="V", item="seat", service_class="", age=9, survived=9, in_place=9, awaits_renewal=False
    ... )
    >>> alone = Link(plans=(plan,), outer=None, note="")
    >>> starting_ages(alone, [{"seat": old}, {"seat": old}], below=[]).share.toarray()
    array([[1.],
           [1.]])
    """
    number: dict[tuple[Ages, Ages], int] = {}
    places, rows, weights = [], [], []
    known: dict[tuple[Stand, ...], list[tuple[float, tuple[Ages, Ages]]]] = {}
    for valve, ages in enumerate(valves):
        stands = stand_of(ages)
        if stands not in known:
            known[stands] = list(_starts(link, below, ages))
        for weight, start in known[stands]:
            places.append(valve)
            rows.append(number.setdefault(start, len(number)))
            weights.append(weight)
    above = () if link.outer is None else link.outer.plans
    return StartingAges(
        inner=np.array([inner for inner, _ in number]).reshape(len(number), len(link.plans)),
        outer=np.array([outer for _, outer in number]).reshape(len(number), len(above)),
        share=csr_array((weights, (places, rows)), shape=(len(valves), len(number))),
    )

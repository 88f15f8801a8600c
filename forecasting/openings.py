"""Items renewed whenever their valve is opened for another one: they follow the renewals of all others."""

from collections.abc import Iterator, Sequence

from forecasting.clocks import ItemAge
from forecasting.kit_links import ItemPlan, Link
from forecasting.valve_renewals import Ahead, Renewals, renewals, renewals_of_either, together

__all__ = ["OWN_FAILURES", "renewals_on_opening"]

OWN_FAILURES = (
    "its own renewals between openings are counted as if only {items} opened the valve; items without a kit in common "
    "open it apart, even at one turnaround"
)


def _covers(link: Link, plan: ItemPlan) -> bool:
    """Whether the link's kits renew the item, so that no kit of its own is taken."""
    return any(plan.item in one.renews for one in link.plans)


def _openings(
    plan: ItemPlan, links: Sequence[Link], ages: Sequence[dict[str, ItemAge]], ahead: Ahead
) -> Iterator[Renewals]:
    """Renewals of others that take the item's kit, in independent parts."""
    for top in (link for link in links if link.outer is None):
        below = [link for link in links if link.outer is not None and link.outer.plans == top.plans]
        open_it = [link for link in below if not _covers(link, plan)]
        if not _covers(top, plan):
            # given the outer renewals those below are independent, so the outer ones go with the first of them
            yield renewals_of_either(open_it[0] if open_it else top, below, ages, ahead)
            open_it = open_it[1:]
        for link in open_it:
            yield renewals(link, below, ages, ahead)


def renewals_on_opening(
    plan: ItemPlan, links: Sequence[Link], ages: Sequence[dict[str, ItemAge]], ahead: Ahead
) -> Renewals:
    """Count how often an item is renewed, on its own or because the valve is opened for another item.

    Groups of items without a kit in common open the valve independently. The item's own renewals between openings are
    those under the items most often renewed, as if only they opened it.

    Parameters
    ----------
    plan : ItemPlan [days]
        The item.
    links : sequence of Link [days]
        The other items of the valve.
    ages : sequence of dict from item to ItemAge, one per valve [days]
        Where each item stands.
    ahead : Ahead [days]
        Windows and turnarounds.

    Returns
    -------
    Renewals [1]
        By valve and window; without those by a kit that renews the item too.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> import numpy as np
    >>> from forecasting.lifetimes import Weibull
    >>> seat, gasket = (
    ...     ItemPlan(
    ...         item=item, lifetime=Weibull(scale=scale, shape=1.0), interval=np.inf, kit=item, qty=1,
    ...         renews=frozenset({item}),
    ...     )
    ...     for item, scale in (("seat", 1000.0), ("gasket", 1e9))
    ... )
    >>> ages = {
    ...     item: ItemAge(
    ...         valve="V", item=item, service_class="", age=9, survived=9, in_place=9, awaits_renewal=False
    ...     )
    ...     for item in ("seat", "gasket")
    ... }
    >>> ahead = Ahead(windows=((0.0, 50.0),), running=(), turnarounds=())
    >>> renewals_on_opening(gasket, [Link(plans=(seat,), outer=None, note="")], [ages], ahead).unplanned.round(4)
    array([[0.05]])
    """
    often = min(links, key=lambda link: min(one.lifetime.quantile(0.5) for one in link.plans))
    own = Link(plans=(plan,), outer=Link(plans=often.plans, outer=None, note=""), note="")
    whole = renewals(own, [own], ages, ahead)
    for opened in _openings(plan, links, ages, ahead):
        whole = together(whole, opened)
    return whole

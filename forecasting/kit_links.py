"""Which maintainable items of a valve are renewed together: groups joined by shared kits."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.lifetimes import Lifetime
from forecasting.processes import Process

__all__ = ["ItemPlan", "Link", "kit_links"]


@dataclass(frozen=True, kw_only=True)
class ItemPlan:
    """One maintainable item of a group: how long it lasts, when it is renewed as planned, what its renewal takes.

    Parameters
    ----------
    item : str [code]
        The item.
    lifetime : Lifetime [days]
        How long it lasts in this service class.
    interval : float [days]
        Of a predetermined policy; infinite: none.
    opportunity : float [days]
        Of an opportunistic policy: renewed at a turnaround if at least so old; infinite: none.
    on_opening : bool [1]
        Renewed whenever another item of the valve is.
    kit : str [code]
        The kit a renewal takes.
    qty : int [kits]
        How many of it.
    renews : frozenset of str [codes]
        Items that this kit renews, this one among them.
    """

    item: str
    lifetime: Lifetime
    interval: float
    kit: str
    qty: int
    renews: frozenset[str]
    opportunity: float = np.inf
    on_opening: bool = False


@dataclass(frozen=True, kw_only=True)
class Link:
    """Items always renewed together, under an outer link that renews them too.

    Parameters
    ----------
    plans : tuple of ItemPlan [plans]
        The items.
    outer : Link or None [link]
        What renews them too; None: nothing does.
    note : str [text]
        What is left out of account; empty: nothing.
    """

    plans: tuple[ItemPlan, ...]
    outer: "Link | None"
    note: str

    @property
    def process(self) -> Process:
        """Their renewal process where there are no turnarounds."""
        return Process(
            lifetimes=tuple(plan.lifetime for plan in self.plans), interval=min(plan.interval for plan in self.plans)
        )

    @property
    def opportunity(self) -> float:
        """Age from which a turnaround renews them, in days."""
        return min(plan.opportunity for plan in self.plans)

    def process_at(self, turnarounds: tuple[float, ...]) -> Process:
        """Their renewal process with turnarounds on these days from now."""
        return replace(self.process, opportunity=self.opportunity, turnarounds=turnarounds)


def _covers(first: Sequence[ItemPlan], second: Sequence[ItemPlan]) -> bool:
    """Whether a renewal of the first items renews the second ones too."""
    return any(plan.renews & {other.item for other in second} for plan in first)


def kit_links(plans: tuple[ItemPlan, ...]) -> list[Link]:
    """Join items that renew each other, then put each under the one that renews it too.

    Parameters
    ----------
    plans : tuple of ItemPlan [plans]
        The items of a group of valves.

    Returns
    -------
    list of Link [links]
        A third level of linked items is left out of account, and its note says so.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> seat = Weibull(scale=1000.0, shape=1.0)
    >>> trim = ItemPlan(item="trim", lifetime=seat, interval=1e9, kit="T", qty=1, renews=frozenset({"trim", "seal"}))
    >>> seal = ItemPlan(item="seal", lifetime=seat, interval=1e9, kit="S", qty=1, renews=frozenset({"seal"}))
    >>> [link.outer.plans[0].item if link.outer else None for link in kit_links((seal, trim))]
    ['trim', None]
    """
    together: list[list[ItemPlan]] = []
    for plan in plans:
        joined = [group for group in together if _covers(group, [plan]) and _covers([plan], group)]
        together = [group for group in together if group not in joined] + [[plan, *(p for g in joined for p in g)]]
    over = [[other for other in together if other is not group and _covers(other, group)] for group in together]
    free = {id(group) for group, outers in zip(together, over, strict=True) if not outers}
    links = []
    for group, outers in zip(together, over, strict=True):
        kits = {plan.kit for plan in group}
        notes = [f"{' and '.join(sorted(kits))} renew the same items: counted as one"] if len(kits) > 1 else []
        candidates = sorted(
            (outer for outer in outers if id(outer) in free),
            key=lambda outer: min(plan.lifetime.quantile(0.5) for plan in outer),
        )
        ignored = sorted(plan.item for outer in outers if outer not in candidates[:1] for plan in outer)
        notes += [f"renewal together with {', '.join(ignored)} is left out of account"] if ignored else []
        outer = Link(plans=tuple(candidates[0]), outer=None, note="") if candidates else None
        links.append(Link(plans=tuple(group), outer=outer, note="; ".join(notes)))
    return links

"""What opening a valve to renew some of its items takes: kits, money, hours; the opening itself comes once."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from forecasting.arrays import check

__all__ = ["ItemWork", "Work", "choices_of", "work_of"]


@dataclass(frozen=True, kw_only=True)
class ItemWork:
    """What renewing one item of a design takes.

    Parameters
    ----------
    item, kit : str [codes]
        The item and its kit.
    qty : int [kits]
        How many.
    kit_cost : float [money per kit]
        Price of one kit.
    renews : frozenset of str [codes]
        Items the kit renews.
    on_opening : bool [1]
        Renewed whenever another item of the valve is.
    work_cost, hours : float [money, hours]
        Of the planned renewal, without kits and opening.
    opening_cost, opening_hours : float [money, hours]
        Of opening the valve for it.
    """

    item: str
    kit: str
    qty: int
    kit_cost: float
    renews: frozenset[str]
    on_opening: bool = False
    work_cost: float = 0.0
    hours: float = 0.0
    opening_cost: float = 0.0
    opening_hours: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Work:
    """What renewing several items of one valve at once takes.

    Parameters
    ----------
    items : frozenset of str [codes]
        All that is renewed; none: the valve stays shut.
    kits : tuple of (kit, number) [kits]
        In the order of their codes.
    kit_cost, work_cost : float [money]
        Kits; everything else, the opening included.
    hours : float [hours]
        At the bench.
    """

    items: frozenset[str]
    kits: tuple[tuple[str, int], ...]
    kit_cost: float
    work_cost: float
    hours: float

    @property
    def cost(self) -> float:
        """Kits and everything else."""
        return self.kit_cost + self.work_cost


NOTHING = Work(items=frozenset(), kits=(), kit_cost=0.0, work_cost=0.0, hours=0.0)


def _leaders(needs: Sequence[ItemWork], wanted: frozenset[str]) -> list[ItemWork]:
    """Items whose kits are taken: those that no kit that renews more covers."""
    asked = [need for need in needs if need.item in wanted or need.on_opening]
    taken: list[ItemWork] = []
    for need in sorted(asked, key=lambda one: (-len(one.renews), one.item)):
        if not any(need.item in other.renews for other in taken):
            taken.append(need)
    return taken


def work_of(needs: Sequence[ItemWork], wanted: frozenset[str]) -> Work:
    """Add up what renewing these items at once takes.

    A kit that renews more covers the smaller ones; what is renewed on every opening comes along; the valve is opened
    once, for the item that takes most to get at.

    Parameters
    ----------
    needs : sequence of ItemWork [items]
        Of the valve's design.
    wanted : frozenset of str [codes]
        What is to be renewed.

    Returns
    -------
    Work [money, hours, kits]
        With all that is renewed along with it.

    Raises
    ------
    InvalidInput
        If something wanted is none of the design's.

    References
    ----------
    DESIGN of this service, sections 7 and 8.

    Examples
    --------
    >>> trim = ItemWork(item="trim", kit="T", qty=1, kit_cost=900.0, renews=frozenset({"trim", "packing"}), hours=6.0)
    >>> packing = ItemWork(item="packing", kit="P", qty=2, kit_cost=40.0, renews=frozenset({"packing"}), hours=2.0)
    >>> both = work_of([packing, trim], frozenset({"packing", "trim"}))
    >>> both.kits, both.cost, both.hours
    ((('T', 1),), 900.0, 6.0)
    """
    items = {need.item for need in needs}
    check(wanted <= items, f"`wanted` must be items of the design, {sorted(items)}, got {sorted(wanted)}")
    if not wanted:
        return NOTHING
    taken = _leaders(needs, wanted)
    kits: dict[str, int] = {}
    for need in taken:
        kits[need.kit] = kits.get(need.kit, 0) + need.qty
    renewed = frozenset().union(*(need.renews & items | {need.item} for need in taken))
    return Work(
        items=renewed,
        kits=tuple(sorted(kits.items())),
        kit_cost=sum(need.qty * need.kit_cost for need in taken),
        work_cost=sum(need.work_cost for need in taken) + max(need.opening_cost for need in taken),
        hours=sum(need.hours for need in taken) + max(need.opening_hours for need in taken),
    )


def choices_of(needs: Sequence[ItemWork]) -> list[Work]:
    """List every different amount of work a valve can be opened for, the least first.

    Parameters
    ----------
    needs : sequence of ItemWork [items]
        Of the valve's design.

    Returns
    -------
    list of Work [money, hours, kits]
        Each set of renewed items once.

    References
    ----------
    DESIGN of this service, section 8 (per valve over sets of items).

    Examples
    --------
    >>> trim = ItemWork(item="trim", kit="T", qty=1, kit_cost=900.0, renews=frozenset({"trim", "packing"}))
    >>> packing = ItemWork(item="packing", kit="P", qty=1, kit_cost=40.0, renews=frozenset({"packing"}))
    >>> [sorted(work.items) for work in choices_of([packing, trim])]
    [['packing'], ['packing', 'trim']]
    """
    chosen = [need.item for need in needs if not need.on_opening] or [need.item for need in needs]
    found: dict[frozenset[str], Work] = {}
    for size in range(1, len(chosen) + 1):
        for some in combinations(chosen, size):
            work = work_of(needs, frozenset(some))
            found.setdefault(work.items, work)
    return sorted(found.values(), key=lambda work: (len(work.items), sorted(work.items)))

"""What a forecast is made from: histories, designs, policies, turnarounds, windows and stock questions."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from forecasting.consumption import Window
from forecasting.exchanges import ExchangeTaking
from forecasting.histories import History
from forecasting.issue_demand import IssueHistory
from forecasting.kit_attribution import RenewalSeen
from forecasting.spending import SpendAsked
from forecasting.stocking import StockQuestion

__all__ = ["DesignItem", "Plant"]


@dataclass(frozen=True, kw_only=True)
class DesignItem:
    """What renewing one item of a design takes.

    Parameters
    ----------
    item, kit : str [codes]
        The item and its kit.
    qty : int [kits]
        How many.
    renews : frozenset of str [codes]
        Items the kit renews.
    on_opening : bool [1]
        Renewed whenever another item of the valve is.
    """

    item: str
    kit: str
    qty: int
    renews: frozenset[str]
    on_opening: bool = False


@dataclass(frozen=True, kw_only=True)
class Plant:
    """Everything a forecast is made from.

    Parameters
    ----------
    as_of : int [day number]
        Data cut-off; windows count from here.
    histories : tuple of History [day numbers]
        One per valve.
    designs : mapping from tag to design [codes]
        Of each valve.
    design_items : mapping from design to tuple of DesignItem [items]
        What each design takes.
    intervals : mapping from (service class, item) to days [days]
        Predetermined policies.
    windows : tuple of (start, end] [days from as_of]
        For which demand is wanted.
    areas : mapping from area to tags [tags]
        For which demand is wanted apart; the whole plant is added under "".
    parts : mapping from name to tags [tags]
        More sets of valves for which demand is wanted apart, under names that no area has.
    questions : tuple of StockQuestion [questions]
        Kits and storerooms to decide on.
    opportunities : mapping from (service class, item) to days [days]
        Opportunistic policies: renewed at a turnaround if at least so old.
    turnarounds : mapping from area to days [day numbers]
        First days of those to come; those up to as_of are not used.
    exchanges : mapping from tag to tuple of ExchangeTaking [day numbers]
        Exchanges of each valve and the kits issued for them; none: kits are taken on the day of the exchange.
    issues : tuple of IssueHistory [kits a period]
        Used for kits that no valve takes, or whose valves can't be forecast.
    renewals : tuple of RenewalSeen [renewals]
        Those whose kits are known; none: renewals take what the designs state.
    kit_renews : mapping from kit to frozenset of str [codes]
        Items each kit renews, where that is stated.
    spend : SpendAsked [money]
        What is wanted of spending, in those of its windows that demand is wanted in.
    looks : tuple of (start, end] or None [days from as_of]
        Those of the windows in which single valves are told; None: all.
    """

    as_of: int
    histories: tuple[History, ...]
    designs: Mapping[str, str]
    design_items: Mapping[str, tuple[DesignItem, ...]]
    intervals: Mapping[tuple[str, str], float]
    windows: tuple[Window, ...]
    areas: Mapping[str, frozenset[str]]
    questions: tuple[StockQuestion, ...]
    opportunities: Mapping[tuple[str, str], float] = field(default_factory=lambda: MappingProxyType({}))
    parts: Mapping[str, frozenset[str]] = field(default_factory=lambda: MappingProxyType({}))
    turnarounds: Mapping[str, tuple[int, ...]] = field(default_factory=lambda: MappingProxyType({}))
    issues: tuple[IssueHistory, ...] = ()
    exchanges: Mapping[str, tuple[ExchangeTaking, ...]] = field(default_factory=lambda: MappingProxyType({}))
    renewals: tuple[RenewalSeen, ...] = ()
    kit_renews: Mapping[str, frozenset[str]] = field(default_factory=lambda: MappingProxyType({}))
    spend: SpendAsked = SpendAsked()
    looks: tuple[Window, ...] | None = None

"""What must be known of one kit in one storeroom before anything can be decided, and which demand that asks for."""

from dataclasses import dataclass
from enum import StrEnum

from forecasting.consumption import Window
from forecasting.lead_times import CoverTimes, cover_times, longest_cover_times
from forecasting.lots import Lot
from forecasting.stock_positions import OpenOrder

__all__ = ["LONGEST_USE", "YEAR", "Rule", "StockQuestion", "windows_needed"]

YEAR = 365.0
LONGEST_USE = 730.0
"""An order is for at most so many days of expected use; demand later than that goes on at the rate of its last year."""


class Rule(StrEnum):
    """Which target a kit is stocked by."""

    CYCLE = "cycle_service_level"
    FILL = "fill_rate"
    LEAST_COST = "least_cost"


@dataclass(frozen=True, kw_only=True)
class StockQuestion:
    """What must be known of one kit in one storeroom.

    Parameters
    ----------
    storeroom, kit : str [codes]
        Which.
    valves : frozenset of str [tags]
        The valves the storeroom serves.
    lead_time, lead_time_spread, review_period : float [days]
        See `cover_times`.
    rule : Rule [word]
        Which target.
    target : float in (0, 1) [1]
        By that rule; not read where cost decides.
    floor : int [kits]
        Never fewer than this, whatever the forecast says.
    min_order, pack : int [kits]
        Orders are at least the one and multiples of the other.
    shelf_life : float [days]
        From arrival. Infinite: doesn't expire.
    order_cost : float [money per order]
        Of placing one.
    holding_cost : float or None [money per kit and year]
        None: the price isn't known.
    on_hand : int [kits]
        On the shelf.
    orders : tuple of OpenOrder [kits]
        Firm and open.
    shortage_cost : float or None [money per kit]
        Of a kit asked for and not there; None: not known.
    lots : tuple of Lot [kits]
        What of `on_hand` expires when.
    unfilled, reserved : int [kits]
        Requests not met; kept for needs outside the forecast.
    accepted : int [kits]
        Proposals accepted and on no order yet; they count as stock to come.
    present_reorder_point, present_order_quantity : int or None [kits]
        In use today.
    """

    storeroom: str
    kit: str
    valves: frozenset[str]
    lead_time: float
    lead_time_spread: float
    review_period: float
    rule: Rule
    target: float
    floor: int
    min_order: int
    pack: int
    shelf_life: float
    order_cost: float
    holding_cost: float | None
    on_hand: int
    orders: tuple[OpenOrder, ...]
    shortage_cost: float | None = None
    lots: tuple[Lot, ...] = ()
    unfilled: int = 0
    reserved: int = 0
    accepted: int = 0
    present_reorder_point: int | None = None
    present_order_quantity: int | None = None

    @property
    def protection_interval(self) -> float:
        """Lead time plus review period, in days."""
        return self.lead_time + self.review_period

    @property
    def cover(self) -> CoverTimes:
        """Times to cover from reaching the reorder point."""
        return cover_times(
            lead_time=self.lead_time, lead_time_spread=self.lead_time_spread, review_period=self.review_period
        )

    @property
    def longest_cover(self) -> CoverTimes:
        """Times to cover if the reorder point is reached right after a review."""
        return longest_cover_times(
            lead_time=self.lead_time, lead_time_spread=self.lead_time_spread, review_period=self.review_period
        )

    @property
    def expiring_lots(self) -> tuple[Lot, ...]:
        """Lots that expire inside the protection interval, the first one first."""
        inside = [lot for lot in self.lots if 0.0 < lot.expires <= self.protection_interval and lot.qty]
        return tuple(sorted(inside, key=lambda lot: lot.expires))

    @property
    def expired(self) -> int:
        """Kits on the shelf that nobody may use any more."""
        return sum(lot.qty for lot in self.lots if lot.expires <= 0.0)

    @property
    def forecast_of_order(self) -> float:
        """Days from now until what is ordered now expires, as far as demand is forecast window by window."""
        return min(max(self.lead_time, 1.0) + self.shelf_life, LONGEST_USE)


def windows_needed(question: StockQuestion) -> tuple[Window, ...]:
    """Windows whose demand `decide` asks for.

    Parameters
    ----------
    question : StockQuestion [question]
        Kit and storeroom.

    Returns
    -------
    tuple of (start, end] [days from now]
        Lead time, protection interval, cover times, a year, the longest use of an order, and until lots expire.

    References
    ----------
    DEVELOPERS.md, "Reorder point".

    Examples
    --------
    >>> sorted(windows_needed(StockQuestion(
    ...     storeroom="S", kit="K", valves=frozenset(), lead_time=30.0, lead_time_spread=0.0, review_period=0.0,
    ...     rule=Rule.CYCLE, target=0.9, floor=0, min_order=1, pack=1, shelf_life=float("inf"), order_cost=0.0,
    ...     holding_cost=None, on_hand=0, orders=(),
    ... )))
    [(0.0, 30.0), (0.0, 365.0), (0.0, 730.0)]
    """
    ends = {max(question.lead_time, 1.0), question.protection_interval, YEAR, LONGEST_USE, question.forecast_of_order}
    ends |= {float(days) for cover in (question.cover, question.longest_cover) for days in cover.days}
    ends |= {lot.expires for lot in question.expiring_lots}
    return tuple((0.0, end) for end in sorted(ends))

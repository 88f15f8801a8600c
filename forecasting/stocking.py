"""From demand to the decision for one kit in one storeroom: when to order, how many, and whether today."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.consumption import Window
from forecasting.demand import Demand
from forecasting.lead_times import CoverTimes, cover_times_when_reached
from forecasting.lots import expiring_of_order, expiring_unused
from forecasting.order_costs import StockCosts, cost_rate, least_cost_policy
from forecasting.order_quantities import Use, economic_quantity, in_packs, use_of_orders, usual_quantity
from forecasting.service_levels import (
    ServiceLevels,
    expected_backorders,
    mixture,
    reorder_point_by_cycle,
    reorder_point_by_fill,
    service_levels,
)
from forecasting.stock_outs import days_until_short
from forecasting.stock_positions import OpenOrder, StockPosition, stock_position
from forecasting.stock_questions import Rule, StockQuestion, windows_needed

__all__ = ["Rule", "StockAchieved", "StockDecision", "StockQuestion", "decide", "economic_quantity", "windows_needed"]


@dataclass(frozen=True, kw_only=True)
class StockAchieved:
    """What a reorder point with an order quantity achieves in the long run.

    Parameters
    ----------
    levels : ServiceLevels [1]
        Cycle service level and fill rate.
    stock : float [kits]
        On the shelf on average.
    short : float [kits per year]
        Asked for and not there.
    cost : float or None [money per year]
        Of ordering, holding and being short; None where price or shortage has none.
    """

    levels: ServiceLevels
    stock: float
    short: float
    cost: float | None


@dataclass(frozen=True, kw_only=True)
class StockDecision:
    """What to do about one kit in one storeroom.

    Parameters
    ----------
    reorder_point, bound : int [kits]
        Order when the stock position falls to the first; simple bound, as if each wait for a review were the longest.
    order_quantity, proposed : int [kits]
        The usual order; what to order today (0: nothing).
    levels : ServiceLevels [1]
        What they achieve.
    position : StockPosition [kits]
        Now.
    demand, yearly_demand : float [kits]
        Expected over the protection interval, and over the next year.
    short_if_ordered_today : float [1]
        Chance that the position doesn't last until an order placed today arrives.
    achieved, present : StockAchieved or None
        The same levels with stock and cost; what the levels in use today achieve, if they are known.
    order_expiring : float [kits]
        Of the order of today (else of the usual one) will expire unused, to be expected.
    used_in_time : float [1]
        Chance that all of it is used before.
    stock_out : float or None [days from now]
        When stock has run out as likely as not, if nothing more is ordered; None: not in two years.
    days_late : float [days]
        Ago the order of today should have been placed to keep the target until it arrives.
    """

    reorder_point: int
    bound: int
    order_quantity: int
    proposed: int
    levels: ServiceLevels
    position: StockPosition
    demand: float
    yearly_demand: float
    short_if_ordered_today: float
    achieved: StockAchieved | None = None
    present: StockAchieved | None = None
    order_expiring: float = 0.0
    used_in_time: float = 1.0
    stock_out: float | None = None
    days_late: float = 0.0


@dataclass(frozen=True, kw_only=True)
class _Covered:
    """Demand to cover: at each cover time, mixed for a uniform wait and for the longest, and its rate a day."""

    cover: CoverTimes
    demands: list[FloatArray]
    mixed: FloatArray
    longest: FloatArray
    rate: float

    def when_reached(self, question: StockQuestion, quantity: int) -> FloatArray:
        """Demand from reaching the reorder point, the wait weighed by the order quantity."""
        cover = cover_times_when_reached(
            self.cover,
            lead_time=question.lead_time,
            lead_time_spread=question.lead_time_spread,
            review_period=question.review_period,
            rate=self.rate,
            order_quantity=quantity,
        )
        return mixture(self.demands, cover.weights)


def _covered(question: StockQuestion, demand_over: Callable[[Window], Demand]) -> _Covered:
    """Ask for the demand of every cover time."""
    cover, longest = question.cover, question.longest_cover
    demands = [demand_over((0.0, float(days))).probabilities for days in cover.days]
    mixed = mixture(demands, cover.weights)
    return _Covered(
        cover=cover,
        demands=demands,
        mixed=mixed,
        longest=mixture([demand_over((0.0, float(days))).probabilities for days in longest.days], longest.weights),
        rate=float(mixed @ np.arange(len(mixed))) / float(cover.days @ cover.weights),
    )


@dataclass(frozen=True, kw_only=True)
class _Policy:
    """Reorder point, simple bound and order quantity."""

    level: int
    bound: int
    quantity: int


def _levels(question: StockQuestion, covered: _Covered, quantity: int) -> tuple[int, int]:
    """Lowest reorder points that meet the target: for the wait as it is, and for the longest."""
    target = question.target
    if question.rule is Rule.FILL:
        level, bound = (
            reorder_point_by_fill(one, fill_rate=target, order_quantity=quantity)
            for one in (covered.mixed, covered.longest)
        )
    else:
        reached = covered.when_reached(question, quantity)
        level, bound = (reorder_point_by_cycle(one, cycle_service_level=target) for one in (reached, covered.longest))
    return level, bound


def _by_target(question: StockQuestion, covered: _Covered, use: Use) -> _Policy:
    """Quantity by cost first, then the lowest levels that meet the target; once more where expiry cuts the quantity."""
    wanted = 1.0
    if question.holding_cost:
        cost = question.holding_cost
        wanted = economic_quantity(yearly_demand=use.yearly, order_cost=question.order_cost, holding_cost=cost)

    def levels(quantity: int) -> _Policy:
        level, bound = _levels(question, covered, quantity)
        return _Policy(level=max(level, question.floor - 1), bound=max(bound, question.floor - 1), quantity=quantity)

    without_stock = levels(usual_quantity(question, use, wanted=wanted, before=0))
    quantity = usual_quantity(question, use, wanted=wanted, before=without_stock.level)
    return without_stock if quantity == without_stock.quantity else levels(quantity)


def _by_cost(question: StockQuestion, covered: _Covered, use: Use, costs: StockCosts) -> _Policy:
    """Least cost of the orders that are used in time."""

    def policy(before: int) -> _Policy:
        made = least_cost_policy(
            covered.mixed,
            costs=costs,
            yearly=use.yearly,
            most=usual_quantity(question, use, wanted=use.longest, before=before),
            lowest=question.floor - 1,
            pack=question.pack,
            least=question.min_order,
        )
        return _Policy(level=made.reorder_point, bound=made.reorder_point, quantity=made.order_quantity)

    return policy(max(policy(0).level, 0))


def _costs(question: StockQuestion) -> StockCosts | None:
    """Say what holding and being short costs, if both are known."""
    if not question.holding_cost or not question.shortage_cost:
        return None
    return StockCosts(order=question.order_cost, holding=question.holding_cost, shortage=question.shortage_cost)


def _achieved(
    question: StockQuestion, covered: _Covered, yearly: float, *, reorder_point: int, order_quantity: int
) -> StockAchieved:
    """Say what a policy achieves: a cycle from reaching the reorder point, a demand from any position alike."""
    policy = {"reorder_point": reorder_point, "order_quantity": order_quantity}
    fill = service_levels(covered.mixed, **policy).fill_rate
    cycle = service_levels(covered.when_reached(question, order_quantity), **policy).cycle_service_level
    missing = expected_backorders(covered.mixed)
    # on average over y = r + 1 .. r + Q: y - E[D] + E[(D - y)+]
    backorders = missing[reorder_point + 1 : reorder_point + order_quantity + 1].sum() / order_quantity
    middle = reorder_point + (order_quantity + 1) / 2.0
    costs = _costs(question)
    return StockAchieved(
        levels=ServiceLevels(cycle_service_level=cycle, fill_rate=fill),
        stock=max(0.0, middle - float(missing[0]) + float(backorders)),
        short=yearly * (1.0 - fill),
        cost=None if costs is None else cost_rate(covered.mixed, costs=costs, yearly=yearly, **policy),
    )


def _position(question: StockQuestion, demand_over: Callable[[Window], Demand]) -> StockPosition:
    """Make up the stock position; what expires unused inside the interval is rounded to whole kits."""
    lots = question.expiring_lots
    expiring = expiring_unused(lots, [demand_over((0.0, lot.expires)).probabilities for lot in lots])
    return stock_position(
        on_hand=question.on_hand,
        orders=question.orders,
        protection_interval=question.protection_interval,
        expired=question.expired,
        unfilled=question.unfilled,
        reserved=question.reserved,
        expiring=round(expiring),
        accepted=question.accepted,
    )


def _check(question: StockQuestion) -> None:
    """Refuse a question that can't be answered."""
    possible = min(question.pack, question.min_order) > 0 < question.shelf_life and question.floor >= 0
    check(possible, f"`pack`, `min_order`, `shelf_life` must be positive, `floor` not negative, got {question}")
    lead, spread = question.lead_time, question.lead_time_spread
    check(not spread > lead >= 0.0, f"`lead_time_spread` must be at most `lead_time`, {lead:g} days, got {spread:g}")
    known = question.rule is not Rule.LEAST_COST or _costs(question) is not None
    check(known, f"least cost needs `holding_cost` and `shortage_cost`, got {question}")


def decide(question: StockQuestion, demand_over: Callable[[Window], Demand]) -> StockDecision:
    """Reorder point, order quantity and today's order of one kit in one storeroom.

    Reorder point: smallest r with E[P(D(L + U) <= r)] at the target, L the lead time, U the wait for the next review;
    never below the floor. Ordered today: if the position is at or below r, as many usual orders as lift it above r.

    Parameters
    ----------
    question : StockQuestion [question]
        Kit and storeroom.
    demand_over : callable from window to Demand [kits]
        Knows at least `windows_needed`.

    Returns
    -------
    StockDecision [kits]
        A proposal: a named person decides.

    Raises
    ------
    InvalidInput
        If the target isn't within (0, 1), pack, minimum or shelf life isn't positive, the floor is negative, the lead
        time spreads by more than itself, or least cost is asked for without costs.

    References
    ----------
    Silver, Pyke & Thomas (2017), Inventory and Production Management in Supply Chains, chapter 6 (from memory);
    DEVELOPERS.md, "Reorder point".

    Examples
    --------
    >>> question = StockQuestion(
    ...     storeroom="S", kit="K", valves=frozenset(), lead_time=30.0, lead_time_spread=0.0, review_period=0.0,
    ...     rule=Rule.CYCLE, target=0.75, floor=0, min_order=1, pack=1, shelf_life=np.inf, order_cost=0.0,
    ...     holding_cost=None, on_hand=0, orders=(),
    ... )
    >>> steady = Demand(probabilities=np.array([0.5, 0.3, 0.2]), unplanned=0.7, planned=0.0, turnaround=0.0)
    >>> decision = decide(question, lambda window: steady)
    >>> decision.reorder_point, decision.proposed
    (1, 2)
    """  # noqa: DOC502 (raised by _check)
    _check(question)
    covered, use, costs = _covered(question, demand_over), use_of_orders(question, demand_over), _costs(question)
    if costs is not None and question.rule is Rule.LEAST_COST:
        policy = _by_cost(question, covered, use, costs)
    else:
        policy = _by_target(question, covered, use)
    now = _position(question, demand_over)
    missing = policy.level + 1 - now.position
    proposed = 0 if missing <= 0 else in_packs(missing, pack=policy.quantity)
    before, quantity = (now.position, proposed) if proposed else (policy.level, policy.quantity)
    until = use.until_expiry
    over_lead_time = demand_over((0.0, max(question.lead_time, 1.0))).probabilities
    chosen = _achieved(question, covered, use.yearly, reorder_point=policy.level, order_quantity=policy.quantity)
    return StockDecision(
        reorder_point=policy.level,
        bound=policy.bound,
        order_quantity=policy.quantity,
        proposed=proposed,
        levels=chosen.levels,
        position=now,
        demand=demand_over((0.0, question.protection_interval)).mean,
        yearly_demand=use.yearly,
        short_if_ordered_today=max(0.0, 1.0 - float(over_lead_time[: max(now.position, -1) + 1].sum())),
        achieved=chosen,
        present=_present(question, covered, use.yearly),
        order_expiring=0.0 if until is None else expiring_of_order(until, before=before, quantity=quantity),
        used_in_time=1.0 if until is None else float(min(1.0, until[max(before, 0) + quantity :].sum())),
        stock_out=_short_after(question, now, demand_over, chance=0.5),
        days_late=_late(question, now, demand_over, kept=chosen.levels.cycle_service_level) if proposed else 0.0,
    )


def _short_after(
    question: StockQuestion, now: StockPosition, demand_over: Callable[[Window], Demand], *, chance: float
) -> float | None:
    """Days until stock has run out with some chance; what was accepted comes a lead time from now."""
    accepted = [OpenOrder(due=question.lead_time, qty=now.accepted)] if now.accepted else []
    return days_until_short(
        on_hand=now.usable - now.unfilled - now.reserved,
        arrivals=[*question.orders, *accepted],
        demand=[(window[1], demand_over(window).probabilities) for window in windows_needed(question)],
        chance=chance,
    )


def _late(
    question: StockQuestion, now: StockPosition, demand_over: Callable[[Window], Demand], *, kept: float
) -> float:
    """Days by which the chance wanted is lost before an order of today arrives."""
    wanted = kept if question.rule is Rule.LEAST_COST else min(kept, question.target)
    short = _short_after(question, now, demand_over, chance=1.0 - min(max(wanted, 0.5), 0.999))
    return 0.0 if short is None else max(0.0, float(np.ceil(question.lead_time)) - short)


def _present(question: StockQuestion, covered: _Covered, yearly: float) -> StockAchieved | None:
    """Say what the levels in use today achieve; an order quantity not stated is the smallest."""
    if question.present_reorder_point is None:
        return None
    quantity = question.present_order_quantity or in_packs(question.min_order, pack=question.pack)
    return _achieved(question, covered, yearly, reorder_point=question.present_reorder_point, order_quantity=quantity)

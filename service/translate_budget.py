"""From the scope of a turnaround and what may come on top to its budget: lines, contingency, cash, basis."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.money_sums import Sums, sum_of_independent
from forecasting.turnaround_budgets import EXTRA_LINES, cost_factors, extra_costs, quantile
from service.schemas.turnarounds import (
    BudgetLineOut,
    BudgetOut,
    BudgetValveOut,
    CashOut,
    TurnaroundKitOut,
)
from service.translate_budget_basis import PRICE_SPREAD, basis_of
from service.translate_exposures import ValveOutcomes
from service.translate_scope_lines import ChosenScope
from service.translate_windows import TurnaroundWindow
from service.translate_works import Works, in_money
from service.turnaround_planning import Planning

PERCENTILE = 80
PERCENTILES = range(1, 100)
SHOWN = {"p10": 10, "p50": 50, "p80": 80, "p90": 90}
NOTHING = Decimal("0.00")
TOLD = {
    "planned": "kits and work of the planned scope: the base estimate",
    "until_freeze": "fails before the scope is frozen and waits for the turnaround",
    "emergent": "fails after the freeze, or from the data cut-off on if that is past, and waits for the turnaround",
    "discovery": "found worn or failed once the valve is open",
    "total": "all lines together, prices and hours as stated",
    "total_with_prices_and_hours": f"the same if all prices and hours are off by {PRICE_SPREAD:.0%}, together",
}


@dataclass(frozen=True, kw_only=True)
class _Extra:
    """What may come on top of the base estimate, by valve and line, and its distribution."""

    base: Decimal
    valves: list[BudgetValveOut]
    sums: dict[str, Sums]

    def mean(self, line: str) -> Decimal:
        return sum((getattr(one, line) for one in self.valves), NOTHING)


def budget_of(
    planning: Planning,
    window: TurnaroundWindow,
    chosen: ChosenScope,
    by_class: Mapping[str, Sequence[ValveOutcomes]],
    kits: Sequence[TurnaroundKitOut],
) -> BudgetOut:
    """Make the budget of a turnaround.

    Parameters
    ----------
    planning : Planning
        Record and lifetimes.
    window : TurnaroundWindow
        The turnaround.
    chosen : ChosenScope
        Its scope.
    by_class : mapping from service class to sequence of ValveOutcomes
        What may become of its valves.
    kits : sequence of TurnaroundKitOut
        How many of each kit are there.

    Returns
    -------
    BudgetOut
        Valves whose costs aren't known are left out, and named.
    """
    costed = {name: [one for one in some if not one.valve.work.missing] for name, some in by_class.items()}
    extra, factors = _extra(costed, planning.works), cost_factors(PRICE_SPREAD)
    with_prices, without = _percentiles(extra, factors), _percentiles(extra, np.ones(1))
    record = window.record
    return BudgetOut(
        turnaround=record.code,
        name=record.name,
        starts_on=window.starts_on,
        ends_on=window.ends_on,
        scope_freeze_on=record.scope_freeze_on,
        as_of=planning.asked.as_of,
        base_estimate=extra.base,
        contingency_percentile=PERCENTILE,
        contingency=with_prices[PERCENTILE - 1] - extra.base,
        price_and_hours_change=with_prices[PERCENTILE - 1] - without[PERCENTILE - 1],
        lines=_lines(extra, with_prices, without),
        cash=_cash(window, extra, costed, planning.works, {one.kit: one.available for one in kits}),
        valves=extra.valves,
        basis=basis_of(planning, window, chosen),
        percentiles=with_prices,
        percentiles_without_prices=without,
    )


def _extra(costed: Mapping[str, Sequence[ValveOutcomes]], works: Works) -> _Extra:
    valves = [_valve_row(one, works) for some in costed.values() for one in some]
    by_line: dict[str, list[Sums]] = defaultdict(list)
    for some in costed.values():
        for line, sums in extra_costs([one.outcomes for one in some]).items() if some else ():
            by_line[line].append(sums)
    return _Extra(
        base=sum((one.planned for one in valves), NOTHING),
        valves=sorted(valves, key=lambda one: one.tag),
        sums={line: sum_of_independent(by_line[line]) for line in (*EXTRA_LINES, "total")},
    )


def _valve_row(one: ValveOutcomes, works: Works) -> BudgetValveOut:
    costs = np.array([[work.cost for work in some] for some in one.outcomes.works])  # shape (m, 4)
    chances = one.outcomes.chances.mean(axis=0)
    means = chances @ np.maximum(np.diff(costs, axis=1), 0.0)
    return BudgetValveOut(
        tag=one.valve.record.tag,
        planned=NOTHING if one.opened is None else works.money(one.opened),
        **{line: in_money(float(mean)) for line, mean in zip(EXTRA_LINES, means, strict=True)},
    )


def _percentiles(extra: _Extra, factors: FloatArray) -> list[Decimal]:
    total = extra.sums["total"]
    return [
        in_money(quantile(total, base=float(extra.base), factors=factors, probability=percent / 100.0))
        for percent in PERCENTILES
    ]


def _lines(extra: _Extra, with_prices: Sequence[Decimal], without: Sequence[Decimal]) -> list[BudgetLineOut]:
    lines = [_line("planned", extra.base, dict.fromkeys(SHOWN, extra.base))]
    for line in EXTRA_LINES:
        shown = {name: in_money(extra.sums[line].quantile(percent / 100.0)) for name, percent in SHOWN.items()}
        lines.append(_line(line, extra.mean(line), shown))
    mean = extra.base + sum((extra.mean(line) for line in EXTRA_LINES), NOTHING)
    for line, values in (("total", without), ("total_with_prices_and_hours", with_prices)):
        lines.append(_line(line, mean, {name: values[percent - 1] for name, percent in SHOWN.items()}))
    return lines


def _line(line: str, mean: Decimal, shown: Mapping[str, Decimal]) -> BudgetLineOut:
    return BudgetLineOut(line=line, mean=mean, what=TOLD[line], **shown)


def _cash(
    window: TurnaroundWindow,
    extra: _Extra,
    costed: Mapping[str, Sequence[ValveOutcomes]],
    works: Works,
    available: Mapping[str, int],
) -> list[CashOut]:
    """Kits are due when the turnaround begins, work and what comes on top when it ends."""
    wanted: dict[str, int] = defaultdict(int)
    for some in costed.values():
        for one in some:
            for kit, qty in () if one.opened is None else one.opened.kits:
                wanted[kit] += qty
    rows = []
    for kit, qty in sorted(wanted.items()):
        there = min(available.get(kit, 0), qty)
        for what, number in (("kit to order", qty - there), ("kit in stock or on order already", there)):
            price = works.price(kit)
            if number:
                rows.append(_due(window.starts_on, what, number * price, kit=kit, qty=number, unit_cost=price))
    bought = sum((row.amount for row in rows), NOTHING)
    rows.append(_due(window.ends_on, "work", extra.base - bought))
    rows += [_due(window.ends_on, f"expected {line}", extra.mean(line)) for line in EXTRA_LINES]
    return rows


def _due(
    due_on: date,
    what: str,
    amount: Decimal,
    *,
    kit: str | None = None,
    qty: int | None = None,
    unit_cost: Decimal | None = None,
) -> CashOut:
    return CashOut(due_on=due_on, what=what, kit=kit, qty=qty, unit_cost=unit_cost, amount=amount)

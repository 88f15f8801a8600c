"""From kits, prices and rebuild costs of the record to what opening a valve of each design takes."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from forecasting.pipeline import DesignItem
from forecasting.rebuild_work import ItemWork, Work
from service.schemas.records import KitRecord, RebuildCostRecord
from service.translate import Records, Register

CENT = Decimal("0.01")


@dataclass(frozen=True, kw_only=True)
class DesignWork:
    """What renewing items of a design takes.

    Parameters
    ----------
    needs : tuple of ItemWork [money, hours, kits]
        One per item; what isn't known counts as nothing.
    unplanned : dict from item to float [money]
        What a renewal costs when it failed, kits included.
    missing : tuple of str [words]
        What isn't known; without these no saving and no cost is.
    """

    needs: tuple[ItemWork, ...]
    unplanned: dict[str, float]
    missing: tuple[str, ...]

    def alone(self, item: str) -> float:
        """Cost of an item's planned renewal by itself, kits and opening included."""
        return next(
            need.qty * need.kit_cost + need.work_cost + need.opening_cost for need in self.needs if need.item == item
        )


@dataclass(frozen=True, kw_only=True)
class Works:
    """Works of every design, and prices.

    Parameters
    ----------
    designs : dict from design to DesignWork
        Of every design that a valve has.
    kits : dict from code to KitRecord
        Of the record.
    """

    designs: dict[str, DesignWork]
    kits: Mapping[str, KitRecord]

    def price(self, kit: str) -> Decimal:
        """Price of a kit; nothing if it isn't known."""
        known = self.kits.get(kit)
        return Decimal(0) if known is None or known.unit_cost is None else known.unit_cost

    def money(self, work: Work) -> Decimal:
        """Exact cost of some work."""
        kits = sum((qty * self.price(kit) for kit, qty in work.kits), Decimal(0))
        return kits + in_money(work.work_cost)


def in_money(amount: float) -> Decimal:
    """Round to a hundredth of the currency."""
    return Decimal(repr(amount)).quantize(CENT)


def works_from_records(records: Records, register: Register) -> Works:
    """Say what opening a valve of each design takes.

    Parameters
    ----------
    records : Records
        `planned_hours`, `planned_cost` and `unplanned_cost` are of one item renewed by itself, opening included and
        kits not; the `opening_hours` among the hours come once for each opening.
    register : Register
        The same record, for the numerics.

    Returns
    -------
    Works
        Of the planned cost, the opening has the share that it has of the hours.
    """
    kits = {kit.code: kit for kit in records.kits}
    costs: dict[str, dict[str, RebuildCostRecord]] = defaultdict(dict)
    for one in records.rebuild_costs:
        costs[one.design][one.maintainable_item] = one
    return Works(
        designs={
            design: _design_work(needs, costs.get(design, {}), kits) for design, needs in register.design_items.items()
        },
        kits=kits,
    )


def _design_work(
    needs: tuple[DesignItem, ...], costs: Mapping[str, RebuildCostRecord], kits: Mapping[str, KitRecord]
) -> DesignWork:
    missing = [text for need in needs for text in _missing(need, costs.get(need.item), kits.get(need.kit))]
    prices = {need.kit: float(kits[need.kit].unit_cost or 0) if need.kit in kits else 0.0 for need in needs}
    return DesignWork(
        needs=tuple(_item_work(need, costs.get(need.item), prices[need.kit]) for need in needs),
        unplanned={
            need.item: need.qty * prices[need.kit] + float(costs[need.item].unplanned_cost or 0)
            for need in needs
            if need.item in costs
        },
        missing=tuple(dict.fromkeys(missing)),
    )


def _missing(need: DesignItem, cost: RebuildCostRecord | None, kit: KitRecord | None) -> list[str]:
    """Name what isn't known of an item's cost; what is renewed at every opening needs no work of its own."""
    said = [f"no price of kit {need.kit}"] if kit is None or kit.unit_cost is None else []
    if need.on_opening:
        return said
    if cost is None:
        return [*said, f"no rebuild cost of its {need.item}"]
    for name in ("planned_cost", "unplanned_cost"):
        # a renewal that costs nothing, or a failure that does, decides nothing
        if not getattr(cost, name):
            said.append(f"no {name} of its {need.item}")
    return said


def _item_work(need: DesignItem, cost: RebuildCostRecord | None, price: float) -> ItemWork:
    planned = 0.0 if cost is None else float(cost.planned_cost or 0)
    opening = 0.0 if cost is None else cost.opening_hours or 0.0
    hours = opening if cost is None else max(cost.planned_hours or 0.0, opening)
    share = opening / hours if hours else 0.0
    return ItemWork(
        item=need.item,
        kit=need.kit,
        qty=need.qty,
        kit_cost=price,
        renews=need.renews,
        on_opening=need.on_opening,
        work_cost=planned * (1.0 - share),
        hours=hours - opening,
        opening_cost=planned * share,
        opening_hours=opening,
    )

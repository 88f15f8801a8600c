"""Plans and standings in as few words as a test needs."""

import math

from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan, TakeUp, Window, kits_taken
from forecasting.lifetimes import Weibull
from tests.forecasting.turnaround_plants import ITEMS, Policy

INF = math.inf


def plan(
    item: str,
    *renews: str,
    shape: float = 2.0,
    scale: float = 1500.0,
    interval: float = INF,
    kit: str = "",
    qty: int = 1,
) -> ItemPlan:
    """A plan; its kit renews the item itself and what else is named, and is named after it unless told."""
    return ItemPlan(
        item=item,
        lifetime=Weibull(scale=scale, shape=shape),
        interval=interval,
        kit=kit or f"{item} kit",
        qty=qty,
        renews=frozenset({item, *renews}),
    )


def stands(
    item: str, *, age: int | None, survived: int = 0, in_place: int | None = None, awaits_renewal: bool = False
) -> ItemAge:
    """Where an item stands."""
    return ItemAge(
        valve="",
        item=item,
        service_class="",
        age=age,
        survived=survived if age is None else age,
        in_place=in_place,
        awaits_renewal=awaits_renewal,
    )


def take(
    plans: tuple[ItemPlan, ...], *valves: tuple[ItemAge, ...], windows: tuple[Window, ...] = ((0.0, 91.0),)
) -> dict[str, TakeUp]:
    """What these valves take, by kit."""
    ages = tuple({one.item: one for one in valve} for valve in valves)
    tags = tuple(f"V{number}" for number in range(len(valves)))
    return {one.kit: one for one in kits_taken(Group(plans=plans, valves=tags, ages=ages), windows)}


def policy_plans(policies: tuple[Policy, ...]) -> tuple[ItemPlan, ...]:
    """Trim, packing, actuator and gasket of the simulated plants, as the package wants them."""
    return tuple(
        ItemPlan(
            item=item,
            lifetime=Weibull(scale=policy.scale, shape=policy.shape),
            interval=policy.interval,
            opportunity=policy.opportunity,
            kit=item,
            qty=1,
            renews=frozenset({item, "packing"} if item == "trim" else {item}),
            on_opening=item == "gasket",
        )
        for item, policy in zip(ITEMS, policies, strict=True)
    )

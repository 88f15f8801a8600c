"""Where the items of a valve stand at a turnaround: how old, how likely to fail, what leaving them costs."""

from dataclasses import dataclass, replace

from forecasting.clocks import ItemAge
from forecasting.window_ages import WindowAge, age_at_window, failing_within, mean_leaving
from service.schemas.records import ValveRecord
from service.translate import NO_AREA
from service.translate_windows import TurnaroundWindow
from service.translate_works import DesignWork
from service.turnaround_planning import Planning

ON_RUN_DAYS = 30.0
"""What can be isolated on the run can be renewed so soon after a turnaround as well as in it (our convention)."""


@dataclass(frozen=True, kw_only=True)
class ItemStand:
    """Where one item of a valve stands at a turnaround.

    Parameters
    ----------
    age : ItemAge [days]
        Now.
    where : WindowAge or None [days]
        At the window; None: it failed already, or nothing is known of its lifetime.
    chance : float or None [1]
        That it fails before the next window.
    leaving : float [money]
        Cost of leaving it, in excess of its long-run rate; 0 where that isn't known.
    rate : float or None [money per day]
        At the best age.
    best_age : float or None [days]
        Of planned renewal; infinite: never.
    due : bool [1]
        Its policy renews it at this window, or would before the next one.
    failed : bool [1]
        Found failed and not renewed yet.
    """

    age: ItemAge
    where: WindowAge | None = None
    chance: float | None = None
    leaving: float = 0.0
    rate: float | None = None
    best_age: float | None = None
    due: bool = False
    failed: bool = False


def item_stand(
    planning: Planning,
    window: TurnaroundWindow,
    age: ItemAge,
    valve: ValveRecord,
    work: DesignWork,
    consequence: str,
) -> ItemStand:
    """Say where an item of a valve stands at a turnaround.

    Parameters
    ----------
    planning : Planning
        Record and lifetimes.
    window : TurnaroundWindow
        The turnaround.
    age : ItemAge [days]
        Where the item stands now.
    valve : ValveRecord
        Its valve.
    work : DesignWork [money, hours, kits]
        Of the valve's design.
    consequence : str
        Of the valve's failure.

    Returns
    -------
    ItemStand
        At the first day of the turnaround.
    """
    key, days = (age.service_class, age.item), float(window.days_to(planning.asked.as_of))
    on_run, used = bool(valve.isolable_on_run), planning.in_use.get((age.service_class, age.item))
    if age.awaits_renewal and not on_run:
        return ItemStand(age=age, failed=True, chance=1.0)
    if used is None or used.lifetime is None:
        return ItemStand(age=age, failed=age.awaits_renewal)
    policy, interval = planning.policies.get(key, ("corrective", float("inf")))
    on_time = interval if policy == "predetermined" and on_run else float("inf")
    where = age_at_window(_renewed_now(age), used.lifetime, days=days, interval=on_time)
    ahead = float((window.next_on[valve.area or NO_AREA] - window.starts_on).days)
    chance = failing_within(where, planning.mixed(*key), days=ahead)
    stand = ItemStand(
        age=age,
        where=where,
        chance=chance,
        due=_due(policy, interval, where.mean, ahead, on_run=on_run),
        failed=age.awaits_renewal,
    )
    return stand if work.missing else _costed(stand, planning, work, consequence, ON_RUN_DAYS if on_run else ahead)


def _renewed_now(age: ItemAge) -> ItemAge:
    """Take what failed and can be renewed on the run as renewed today."""
    if not age.awaits_renewal:
        return age
    return replace(age, age=0, survived=0, awaits_renewal=False)


def _due(policy: str, interval: float, age: float, ahead: float, *, on_run: bool) -> bool:
    """Say whether a policy asks for an item of this mean age: now, or before the next window if it can't on the run."""
    if policy == "opportunistic":
        return age >= interval
    return policy == "predetermined" and not on_run and age + ahead > interval


def _costed(stand: ItemStand, planning: Planning, work: DesignWork, consequence: str, days: float) -> ItemStand:
    """Add what leaving an item to the next chance to renew it costs."""
    item, where = stand.age.item, stand.where
    planned, unplanned = work.alone(item), work.unplanned.get(item, 0.0)
    if where is None or not planned or not unplanned:
        return stand
    stated = planning.costs_of_failure.get(consequence, 0.0)
    whole = max(unplanned, planned + stated) if stated else unplanned
    run = planning.long_run(stand.age.service_class, item, planned=planned, unplanned=whole)
    leaving = float(mean_leaving(run, where, days=days).cost[0])
    return replace(stand, leaving=leaving, rate=run.rate, best_age=run.interval)

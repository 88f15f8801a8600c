"""From the record and fitted lifetimes to the valves a turnaround may open: ages, costs of leaving, what is decided."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property

from forecasting.clocks import ItemAge
from forecasting.cost_rates import LongRun, MixedLifetime, long_run, mixed
from forecasting.found_on_opening import Opening
from forecasting.lifetime_points import LifetimePoints
from forecasting.pooling import InUse
from forecasting.rebuild_work import choices_of
from forecasting.turnarounds import Candidate, options_of
from forecasting.window_ages import WindowAge, age_at_window, failing_within, mean_leaving
from service.run_inputs import Asked
from service.schemas.records import ScopeLineRecord, ValveRecord
from service.translate import NO_AREA
from service.translate_stock import Assumptions
from service.translate_windows import TurnaroundWindow
from service.translate_works import DesignWork, Works, works_from_records

ON_RUN_DAYS = 30.0
"""What can be isolated on the run can be renewed so soon after a turnaround as well as in it (our convention)."""
STOPS = "stops"
Policies = Mapping[tuple[str, str], tuple[str, float]]


@dataclass(frozen=True, kw_only=True)
class Planning:
    """What turnarounds are planned from: a record, where its items stand, and what is known of their lifetimes.

    Parameters
    ----------
    asked : Asked
        The record as the run read it.
    ages : tuple of ItemAge [days]
        Of the valves in service.
    lifetimes : tuple of InUse [days]
        One per service class and item.
    points : LifetimePoints [days]
        What is known of them.
    openings : tuple of Opening [openings]
        What openings of the past found.
    reorder_points : mapping from (storeroom, kit) to int [kits]
        What the running need keeps on the shelf.
    """

    asked: Asked
    ages: tuple[ItemAge, ...]
    lifetimes: tuple[InUse, ...]
    points: LifetimePoints
    openings: tuple[Opening, ...]
    reorder_points: Mapping[tuple[str, str], int]
    long_runs: dict[tuple[str, str, float, float], LongRun] = field(default_factory=dict)

    @cached_property
    def works(self) -> Works:
        """What opening a valve of each design takes."""
        return works_from_records(self.asked.inputs, self.asked.register)

    @cached_property
    def in_use(self) -> dict[tuple[str, str], InUse]:
        """Lifetimes by service class and item, those that are known."""
        return {(one.service_class, one.item): one for one in self.lifetimes if one.lifetime is not None}

    @cached_property
    def policies(self) -> Policies:
        """Policy and interval by service class and item."""
        return {
            (one.service_class, one.maintainable_item): (str(one.policy), float(one.interval_days))
            for one in self.asked.inputs.policies
            if one.interval_days
        }

    @cached_property
    def standing(self) -> dict[str, dict[str, ItemAge]]:
        """Ages by valve and item."""
        ages: dict[str, dict[str, ItemAge]] = defaultdict(dict)
        for age in self.ages:
            ages[age.valve][age.item] = age
        return dict(ages)

    @cached_property
    def costs_of_failure(self) -> dict[str, float]:
        """What a failure costs beside its rebuild, by consequence, where that is stated."""
        return {str(one.consequence): float(one.cost_of_failure or 0) for one in self.asked.inputs.consequence_targets}

    def mixed(self, service_class: str, item: str) -> MixedLifetime:
        """Lifetime of an item with its uncertainty."""
        return mixed(self.points.lifetimes[service_class, item])

    def long_run(self, service_class: str, item: str, *, planned: float, unplanned: float) -> LongRun:
        """Cheapest way to keep an item renewed, each found once."""
        key = service_class, item, planned, unplanned
        if key not in self.long_runs:
            lifetime = self.mixed(service_class, item)
            self.long_runs[key] = long_run(lifetime, planned=planned, unplanned=unplanned)
        return self.long_runs[key]


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


@dataclass(frozen=True, kw_only=True)
class ValveAtWindow:
    """A valve that a turnaround may open.

    Parameters
    ----------
    record : ValveRecord
        As stated.
    area, service_class, design, consequence : str [codes]
        As the forecast takes them.
    next_on : date
        When its next window begins.
    work : DesignWork [money, hours, kits]
        Of its design.
    items : dict from item to ItemStand
        In the order of the design.
    line : ScopeLineRecord or None
        What was decided about it.
    """

    record: ValveRecord
    area: str
    service_class: str
    design: str
    consequence: str
    next_on: date
    work: DesignWork
    items: dict[str, ItemStand]
    line: ScopeLineRecord | None

    @property
    def on_run(self) -> bool:
        """Whether it can be renewed on the run; where that isn't said, it can't."""
        return bool(self.record.isolable_on_run)

    @property
    def waits(self) -> bool:
        """Whether what fails has to wait for the turnaround."""
        return not self.on_run and self.consequence != STOPS

    @property
    def due(self) -> frozenset[str]:
        """Items whose policy asks for them."""
        return frozenset(item for item, one in self.items.items() if one.due)

    @property
    def failed(self) -> frozenset[str]:
        """Items that wait already, and can't be renewed on the run."""
        return frozenset(item for item, one in self.items.items() if one.failed and not self.on_run)

    @property
    def proof_test_due(self) -> bool:
        """Whether its proof test falls due before the next window."""
        due_on = self.record.proof_test_due_on
        return due_on is not None and due_on < self.next_on

    @property
    def held(self) -> frozenset[str]:
        """Items a safety-related valve is opened for, whatever the forecast says."""
        return self.due if self.record.safety_related else frozenset()

    @property
    def decision(self) -> str:
        """What was decided about it; empty: nothing."""
        return "" if self.line is None else str(self.line.decision)

    @property
    def must_open(self) -> bool:
        """Whether no reckoning is asked."""
        safety = bool(self.record.safety_related) and (bool(self.due) or self.proof_test_due)
        return self.decision == "must_open" or bool(self.failed) or safety

    @property
    def chance(self) -> float | None:
        """Chance that any item fails before the next window."""
        known = [one.chance for one in self.items.values() if one.chance is not None]
        survives = 1.0
        for chance in known:
            survives *= 1.0 - chance
        return 1.0 - survives if known else None

    @property
    def candidate(self) -> Candidate | None:
        """The valve as the solver sees it; None: it isn't asked, or a cost isn't known."""
        if self.work.missing or self.decision == "must_not_open":
            return None
        # what failed is renewed anyway: that saves nothing and costs nothing
        leaving = {
            item: self.work.alone(item) if item in self.failed else one.leaving for item, one in self.items.items()
        }
        return Candidate(
            tag=self.record.tag,
            options=options_of(choices_of(self.work.needs), leaving),
            must_open=self.must_open,
            needed=self.held | self.failed,
        )


def valves_at_window(planning: Planning, window: TurnaroundWindow) -> list[ValveAtWindow]:
    """Find the valves that a turnaround may open, and where they stand then.

    Parameters
    ----------
    planning : Planning
        Record and lifetimes.
    window : TurnaroundWindow
        Of one of its turnarounds.

    Returns
    -------
    list of ValveAtWindow
        In service and in its areas, by tag.
    """
    inputs, designs = planning.asked.inputs, planning.asked.register.designs
    lines = {one.tag: one for one in inputs.scope_lines if one.turnaround == window.record.code}
    there = [
        valve
        for valve in inputs.valves
        if (valve.area or NO_AREA) in window.next_on
        and valve.tag in planning.standing
        and (valve.removed_on is None or valve.removed_on > window.starts_on)
    ]
    return [_valve(planning, window, one, designs[one.tag], lines.get(one.tag)) for one in sorted(there, key=_tag)]


def _tag(valve: ValveRecord) -> str:
    return valve.tag


def _valve(
    planning: Planning, window: TurnaroundWindow, record: ValveRecord, design: str, line: ScopeLineRecord | None
) -> ValveAtWindow:
    stands, area = planning.standing[record.tag], record.area or NO_AREA
    work, consequence = planning.works.designs[design], record.consequence or Assumptions().consequence
    return ValveAtWindow(
        record=record,
        area=area,
        service_class=next(iter(stands.values())).service_class,
        design=design,
        consequence=consequence,
        next_on=window.next_on[area],
        work=work,
        items={need.item: _item(planning, window, stands[need.item], record, work, consequence) for need in work.needs},
        line=line,
    )


def _item(
    planning: Planning,
    window: TurnaroundWindow,
    age: ItemAge,
    valve: ValveRecord,
    work: DesignWork,
    consequence: str,
) -> ItemStand:
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
    return ItemAge(
        valve=age.valve,
        item=age.item,
        service_class=age.service_class,
        age=0,
        survived=0,
        in_place=age.in_place,
        awaits_renewal=False,
    )


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
    whole = unplanned + planning.costs_of_failure.get(consequence, 0.0)
    run = planning.long_run(stand.age.service_class, item, planned=planned, unplanned=whole)
    return ItemStand(
        age=stand.age,
        where=where,
        chance=stand.chance,
        leaving=float(mean_leaving(run, where, days=days).cost[0]),
        rate=run.rate,
        best_age=run.interval,
        due=stand.due,
        failed=stand.failed,
    )

"""The verbs in a row: histories, lives, lifetimes, kits taken, demand, decisions."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

from forecasting.arrays import check
from forecasting.clocks import ItemAge
from forecasting.consumption import Group, TakeUp, Window
from forecasting.demand import Demand
from forecasting.executors import HERE
from forecasting.groups import ages_to_come, groups_of
from forecasting.heterogeneity import GroupContrast, compare_groups
from forecasting.issue_demand import IssueDemand, issue_demand
from forecasting.kit_dates import kit_dates
from forecasting.kit_points import expected_over_points
from forecasting.kits_consumed import outcomes_of_groups
from forecasting.lifetime_points import LifetimePoints, lifetime_points
from forecasting.lives import WatchedFleet, lives_from_histories
from forecasting.plant_demand import Asking, plant_demand
from forecasting.plants import DesignItem, Plant
from forecasting.pooling import InUse, lifetimes_in_use
from forecasting.spending import Spend, SpendAsked
from forecasting.stocking import StockDecision, decide, windows_needed
from forecasting.trends import TrendTests, trend_tests

__all__ = [
    "DesignItem",
    "Forecast",
    "KitsAhead",
    "KitsUsed",
    "Plant",
    "Standing",
    "decisions_ahead",
    "forecast",
    "kits_ahead",
    "kits_used",
    "standing",
]


@dataclass(frozen=True, kw_only=True)
class Standing:
    """What the histories of a plant say, and where every item stands.

    Parameters
    ----------
    fleet : WatchedFleet [days]
        Lives, present ages and findings.
    ages : tuple of ItemAge [days]
        Present ages, and those of valves to come on the day they come.
    """

    fleet: WatchedFleet
    ages: tuple[ItemAge, ...]

    @property
    def samples(self) -> list[tuple[str, str]]:
        """Service classes and items whose lifetimes are wanted."""
        return sorted({*self.fleet.lives.samples, *((age.service_class, age.item) for age in self.ages)})


@dataclass(frozen=True, kw_only=True)
class KitsUsed:
    """Kits by valve, dated where they are used.

    Parameters
    ----------
    taken : tuple of TakeUp [kits]
        By group of valves and kit.
    not_forecast : mapping from kit to tags [tags]
        Valves whose need of a kit can't be forecast: no lifetime is known.
    """

    taken: tuple[TakeUp, ...]
    not_forecast: Mapping[str, frozenset[str]]


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What a run computes.

    Parameters
    ----------
    fleet : WatchedFleet [days]
        Lives, present ages and findings.
    lifetimes : tuple of InUse [days]
        One per service class and item.
    trends : mapping from (service class, item) to TrendTests [1]
        Where there were failures.
    contrasts : tuple of GroupContrast [1]
        Areas and designs beside the rest of their class.
    taken : tuple of TakeUp [kits]
        By group of valves and kit.
    demand : mapping from (area, kit) to window to Demand [kits]
        Area "" is the whole plant; parts of the plant stand beside areas.
    covering : mapping from (storeroom, kit) to Demand [kits]
        In the protection interval of each stock question, without turnarounds.
    decisions : mapping from (storeroom, kit) to StockDecision [kits]
        A question about a kit that no served valve takes, and that was never issued, has none.
    from_issues : mapping from (storeroom, kit) to IssueDemand [kits]
        What rests on issues alone; storeroom "" is the whole plant.
    not_forecast : mapping from kit to tags [tags]
        Valves whose need of a kit can't be forecast: no lifetime is known.
    spend : mapping from area to window to Spend [money]
        On kits outside turnarounds; area "" is the whole plant.
    running : mapping from (storeroom, kit) to window to Demand [kits]
        Without turnarounds, in the windows of the stock questions that any valve bears on.
    """

    fleet: WatchedFleet
    lifetimes: tuple[InUse, ...]
    trends: Mapping[tuple[str, str], TrendTests]
    contrasts: tuple[GroupContrast, ...]
    taken: tuple[TakeUp, ...]
    demand: Mapping[tuple[str, str], Mapping[Window, Demand]]
    covering: Mapping[tuple[str, str], Demand]
    decisions: Mapping[tuple[str, str], StockDecision]
    from_issues: Mapping[tuple[str, str], IssueDemand]
    not_forecast: Mapping[str, frozenset[str]]
    spend: Mapping[str, Mapping[Window, Spend]]
    running: Mapping[tuple[str, str], Mapping[Window, Demand]]


@dataclass(frozen=True, kw_only=True)
class KitsAhead:
    """Kits by valve, and demand of sets of valves.

    Parameters
    ----------
    taken : tuple of TakeUp [kits]
        By group of valves and kit.
    demand : mapping from (area or part, kit) to window to Demand [kits]
        Area "" is the whole plant.
    not_forecast : mapping from kit to tags [tags]
        Valves whose need of a kit can't be forecast: no lifetime is known.
    running : mapping from (storeroom, kit) to window to Demand [kits]
        Without turnarounds, in the windows of the stock questions that any valve bears on.
    spend : mapping from area to window to Spend [money]
        As the plant asks.
    """

    taken: tuple[TakeUp, ...]
    demand: Mapping[tuple[str, str], Mapping[Window, Demand]]
    not_forecast: Mapping[str, frozenset[str]]
    running: Mapping[tuple[str, str], Mapping[Window, Demand]]
    spend: Mapping[str, Mapping[Window, Spend]]


def _trends(fleet: WatchedFleet) -> dict[tuple[str, str], TrendTests]:
    """Test every class and item for a trend over calendar time in service."""
    watches = defaultdict(list)
    for watch in fleet.watches:
        watches[watch.service_class, watch.item].append(watch)
    tested = {
        sample: trend_tests(
            [[day - watch.begin for day in watch.failures] for watch in seen],
            watched=[watch.end - watch.begin for watch in seen],
        )
        for sample, seen in sorted(watches.items())
    }
    return {sample: tests for sample, tests in tested.items() if tests is not None}


def _contrasts(plant: Plant, fleet: WatchedFleet, lifetimes: tuple[InUse, ...]) -> tuple[GroupContrast, ...]:
    """Compare areas and designs within every class and item that has a fit of its own."""
    own = {(one.service_class, one.item): one.fit.lifetime for one in lifetimes if one.fit is not None}
    return compare_groups(
        fleet.lives,
        valves=fleet.life_valves,
        lifetimes={sample: lifetime for sample, lifetime in own.items() if lifetime is not None},
        groups={
            "area": {valve: area for area, valves in plant.areas.items() for valve in valves},
            "design": plant.designs,
        },
    )


def _asking(plant: Plant) -> list[Asking]:
    """List what stock questions ask about demand on the run; turnarounds are ordered for apart."""
    return [
        Asking(
            storeroom=one.storeroom,
            kit=one.kit,
            valves=one.valves,
            windows=windows_needed(one),
            cover=(0.0, one.protection_interval),
        )
        for one in plant.questions
    ]


def _from_issues(plant: Plant, used: KitsAhead) -> dict[tuple[str, str], IssueDemand]:
    """Demand for what no valve takes, in the plant and by stock question; or whose valves can't be forecast."""
    by_kit = {one.kit for one in used.taken}
    alone = {
        (question.storeroom, question.kit)
        for question in plant.questions
        if (question.storeroom, question.kit) not in used.running and (question.valves or question.kit not in by_kit)
    }
    return {
        (one.storeroom, one.kit): issue_demand(one)
        for one in plant.issues
        if (one.storeroom, one.kit) in alone or (one.storeroom == "" and one.kit not in by_kit)
    }


def _decisions(
    plant: Plant, used: KitsAhead, from_issues: Mapping[tuple[str, str], IssueDemand]
) -> dict[tuple[str, str], StockDecision]:
    """Decide every question that has valves, or issues, to decide by."""
    decisions = {}
    for question in plant.questions:
        key = question.storeroom, question.kit
        running, alone = used.running.get(key), from_issues.get(key)
        if running is not None:
            decisions[key] = decide(question, running.__getitem__)
        # what nothing takes and nobody asked for isn't bought to have one
        elif alone is not None and (alone.usage.pattern.demands or question.valves or question.floor):
            decisions[key] = decide(question, alone.over)
    return decisions


def decisions_ahead(plant: Plant, used: KitsAhead) -> dict[tuple[str, str], StockDecision]:
    """Decide the stock questions of a plant by a demand that is known already.

    Parameters
    ----------
    plant : Plant [records]
        With the questions.
    used : KitsAhead [kits]
        As `kits_ahead` gave it for these questions.

    Returns
    -------
    dict from (storeroom, kit) to StockDecision [kits]
        A question about a kit that no served valve takes, and that was never issued, has none.

    Raises
    ------
    InvalidInput
        If a question can't be decided.

    References
    ----------
    DEVELOPERS.md, "Reorder point".

    Examples
    --------
    >>> plant = Plant(
    ...     as_of=9, histories=(), designs={}, design_items={}, intervals={}, windows=(), areas={}, questions=()
    ... )
    >>> decisions_ahead(plant, kits_ahead(plant, standing(plant), []))
    {}
    """  # noqa: DOC502 (comes from decide)
    return _decisions(plant, used, _from_issues(plant, used))


def _covering(
    plant: Plant, used: KitsAhead, from_issues: Mapping[tuple[str, str], IssueDemand]
) -> dict[tuple[str, str], Demand]:
    """Demand that stock must cover, by question."""
    covering = {}
    for question in plant.questions:
        key, window = (question.storeroom, question.kit), (0.0, question.protection_interval)
        if key in used.running:
            covering[key] = used.running[key][window]
        elif key in from_issues:
            covering[key] = from_issues[key].over(window)
    return covering


def standing(plant: Plant) -> Standing:
    """Read the histories of a plant: lives so far, and where every item stands.

    Parameters
    ----------
    plant : Plant [records]
        Everything known.

    Returns
    -------
    Standing [days]
        At `plant.as_of`.

    Raises
    ------
    InvalidInput
        If a valve has no design, or a design no items.

    References
    ----------
    DEVELOPERS.md, "Ten rules for lives".

    Examples
    --------
    >>> standing(Plant(
    ...     as_of=9, histories=(), designs={}, design_items={}, intervals={}, windows=(), areas={}, questions=()
    ... )).samples
    []
    """
    missing_design = [one.valve for one in plant.histories if plant.designs.get(one.valve) not in plant.design_items]
    check(not missing_design, f"every valve needs a design with items, got none for {missing_design[:3]}")
    fleet = lives_from_histories(plant.histories, as_of=plant.as_of)
    return Standing(fleet=fleet, ages=(*fleet.ages, *ages_to_come(plant)))


def kits_used(plant: Plant, ages: Sequence[ItemAge], lifetimes: Sequence[InUse], *, points: LifetimePoints) -> KitsUsed:
    """Expect the kits each valve uses in each window of a plant.

    Parameters
    ----------
    plant : Plant [records]
        Everything known.
    ages : sequence of ItemAge [days]
        Where items stand: of all valves, or of those that matter.
    lifetimes : sequence of InUse [days]
        One per service class and item of theirs; this plant's, or others to compare with.
    points : LifetimePoints [days]
        What is known of them.

    Returns
    -------
    KitsUsed [kits]
        By group of like valves; expectations alone.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> plant = Plant(
    ...     as_of=9, histories=(), designs={}, design_items={}, intervals={}, windows=(), areas={}, questions=()
    ... )
    >>> kits_used(plant, [], [], points=lifetime_points([], lives=standing(plant).fleet.lives)).taken
    ()
    """
    groups, missing = groups_of(plant, ages, tuple(lifetimes))
    dates = kit_dates(plant.histories, plant.exchanges, designs=plant.designs, as_of=plant.as_of)
    outcomes = outcomes_of_groups(groups, plant.renewals, points=points)
    return KitsUsed(
        taken=tuple(
            one
            for service_class, alike in _by_class(groups).items()
            for one in expected_over_points(
                alike,
                points.of_items(service_class, sorted({plan.item for group in alike for plan in group.plans})),
                plant.windows,
                weights=points.weights,
                dates=dates,
                outcomes=outcomes,
            )
        ),
        not_forecast={kit: frozenset(valves) for kit, valves in sorted(missing.items())},
    )


def _by_class(groups: Sequence[Group]) -> dict[str, list[Group]]:
    """Put the groups of each service class together."""
    found: dict[str, list[Group]] = defaultdict(list)
    for group in groups:
        found[group.service_class].append(group)
    return dict(found)


def kits_ahead(plant: Plant, stand: Standing, lifetimes: Sequence[InUse], *, executor: Executor = HERE) -> KitsAhead:
    """Forecast the kits that valves take, and the demand of the plant, its areas and parts.

    Parameters
    ----------
    plant : Plant [records]
        Everything known.
    stand : Standing [days]
        Where its items stand: all of them, or those that matter.
    lifetimes : sequence of InUse [days]
        One per service class and item of theirs.
    executor : Executor [1]
        Computes the service classes; where makes no difference to what comes out.

    Returns
    -------
    KitsAhead [kits]
        In the windows of the plant.

    References
    ----------
    DEVELOPERS.md, "Joint renewal".

    Examples
    --------
    >>> plant = Plant(
    ...     as_of=9, histories=(), designs={}, design_items={}, intervals={}, windows=(), areas={}, questions=()
    ... )
    >>> kits_ahead(plant, standing(plant), []).demand
    {}
    """
    groups, missing = groups_of(plant, stand.ages, tuple(lifetimes))
    classes = {group.service_class for group in groups}
    in_use = [one for one in lifetimes if one.service_class in classes]
    points = lifetime_points(in_use, lives=stand.fleet.lives)
    made = plant_demand(
        groups,
        points,
        plant.windows,
        areas={"": frozenset(plant.designs), **plant.areas, **plant.parts},
        asked=_asking(plant),
        dates=kit_dates(plant.histories, plant.exchanges, designs=plant.designs, as_of=plant.as_of),
        outcomes=outcomes_of_groups(groups, plant.renewals, points=points),
        executor=executor,
        spend=_spend_asked(plant),
        looks=plant.looks,
    )
    return KitsAhead(
        taken=made.taken,
        demand=dict(sorted(made.demand.items())),
        not_forecast={kit: frozenset(valves) for kit, valves in sorted(missing.items())},
        running=made.running,
        spend=made.spend,
    )


def _spend_asked(plant: Plant) -> SpendAsked:
    """Ask for spending by area where demand is asked for, too."""
    windows = tuple(window for window in plant.spend.windows if window in plant.windows)
    return replace(plant.spend, windows=windows, areas={"": frozenset(plant.designs), **plant.areas})


def forecast(plant: Plant, *, executor: Executor = HERE) -> Forecast:
    """Forecast a plant: rebuild history in, kit demand and what to order out.

    Parameters
    ----------
    plant : Plant [records]
        Everything known.
    executor : Executor [1]
        Computes the service classes; where makes no difference to what comes out.

    Returns
    -------
    Forecast [kits]
        Mixed over what is known of lifetimes; the same plant gives the same forecast.

    Raises
    ------
    InvalidInput
        If a valve has no design, or a design no items.

    References
    ----------
    DEVELOPERS.md, "Data flow".

    Examples
    --------
    >>> from forecasting.histories import Action, Event, History
    >>> events = tuple(Event(ref="", action=Action.REBUILD, done=day) for day in (300, 700, 1100, 1400, 1800))
    >>> valve = History(
    ...     valve="V", service_class="air", items=("seat",), records_begin=0, installed=0, events=events
    ... )
    >>> made = forecast(Plant(
    ...     as_of=1900, histories=(valve,), designs={"V": "D"}, windows=((0.0, 365.0),), areas={}, intervals={},
    ...     design_items={"D": (DesignItem(item="seat", kit="K", qty=1, renews=frozenset({"seat"})),)}, questions=(),
    ... ))
    >>> round(made.demand["", "K"][0.0, 365.0].mean, 2)
    0.96
    """  # noqa: DOC502 (comes from standing)
    stand = standing(plant)
    fleet = stand.fleet
    lifetimes = lifetimes_in_use(fleet.lives, wanted=stand.samples)
    used = kits_ahead(plant, stand, lifetimes, executor=executor)
    from_issues = _from_issues(plant, used)
    demand = dict(used.demand) | {
        ("", kit): {window: one.over(window) for window in plant.windows}
        for (storeroom, kit), one in from_issues.items()
        if not storeroom
    }
    return Forecast(
        fleet=fleet,
        lifetimes=lifetimes,
        trends=_trends(fleet),
        contrasts=_contrasts(plant, fleet, lifetimes),
        taken=used.taken,
        demand=demand,
        covering=_covering(plant, used, from_issues),
        decisions=_decisions(plant, used, from_issues),
        from_issues=from_issues,
        not_forecast=used.not_forecast,
        spend=used.spend,
        running=used.running,
    )

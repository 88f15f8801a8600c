"""What changed since the run before: the forecast computed again with one thing changed at a time."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import msgspec

from forecasting.consumption import TakeUp, Window
from forecasting.exchanges import ExchangeTaking
from forecasting.kit_attribution import renewals_seen
from forecasting.lifetime_points import LifetimePoints, lifetime_points
from forecasting.lives import Lives
from forecasting.pipeline import Forecast, Plant, kits_used, standing
from forecasting.pooling import InUse, lifetimes_in_use
from forecasting.reasons import histories_until, split_change
from models.base import Session
from models.partial_days import first_day
from models.queries import results, run_inputs, run_log
from models.runs import Run, RunFailureModel
from service.run_inputs import Asked, Inputs, asked_of, unpacked
from service.run_models import fitted_again
from service.schemas.records import EventRecord
from service.translate_findings import FACTS
from service.translate_stock import AskedStock

YEAR = (0.0, 365.0)
MODELS_READ = 100_000
Key = tuple[str, str]
"""Storeroom ('': the whole plant) and kit."""
Expected = Mapping[Key, float]
Row = dict[str, object]


@dataclass(frozen=True, kw_only=True)
class RunBefore:
    """The run that a new one is compared with: what it read and found."""

    run: Run
    inputs: Inputs
    models: Sequence[RunFailureModel]


@dataclass(frozen=True, kw_only=True)
class _Models:
    """Models of one run, and what is known of their lifetimes."""

    in_use: Mapping[tuple[str, str], InUse]
    points: LifetimePoints

    def under(self, other: "_Models") -> "_Models":
        """Take the other's models where it has them."""
        lifetimes = {**self.points.lifetimes, **other.points.lifetimes}
        return _Models(in_use={**self.in_use, **other.in_use}, points=replace(self.points, lifetimes=lifetimes))


def read_run_before(session: Session, *, as_of: date) -> RunBefore | None:
    """Read the run that a new one is compared with.

    Parameters
    ----------
    session : Session
        A reader's.
    as_of : date
        The new one's data cut-off.

    Returns
    -------
    RunBefore or None
        None: there is none, or what it read is no longer kept.
    """
    run = run_log.finished_before(session, as_of=as_of)
    packed = None if run is None else run_inputs.kept_input(session, run)
    if run is None or packed is None:
        return None
    models = results.failure_models(session, run.id, service_class=None, after=0, limit=MODELS_READ)
    return RunBefore(run=run, inputs=unpacked(packed), models=models)


def change_rows(made: Forecast, asked: Asked, before: RunBefore) -> list[Row]:
    """Split the difference between two runs' expected kits into its reasons.

    Parameters
    ----------
    made : Forecast
        Of the new run.
    asked : Asked
        What it was made from.
    before : RunBefore
        The one it is compared with.

    Returns
    -------
    list of dict
        Columns of run_changes: by kit for the whole plant over 365 days, and by storeroom and kit over the protection
        interval, without what is planned for turnarounds, as the reorder point has it. Only kits that valves take.
    """
    since = before.run.as_of
    old = asked_of(before.inputs, as_of=since)
    old_models = _old_models(old, before)
    new_models = _models(made.lifetimes, made.fleet.lives)
    at_hand = new_models.under(old_models)
    then = asked_of(_read_until(asked.inputs, since), as_of=since)
    histories = histories_until(asked.plant.histories, since.toordinal())
    idle = replace(
        asked.plant,
        histories=histories,
        exchanges=_exchanges_until(asked.plant.exchanges, since),
        renewals=renewals_seen(
            histories,
            designs=asked.plant.designs,
            design_items=asked.plant.design_items,
            kit_renews=asked.plant.kit_renews,
            as_of=since.toordinal(),
        ),
    )
    # the run's own numbers, in many more windows, differ in the last digits: like is compared with like
    steps = _each_again([
        (old.plant, old.stock, old_models),
        (then.plant, then.stock, at_hand),
        (idle, asked.stock, at_hand),
        (asked.plant, asked.stock, at_hand),
        (asked.plant, asked.stock, new_models),
    ])
    told = _told_by_kit(before.inputs.events, asked, since=since)
    days = {
        (one.question.storeroom, one.question.kit): one.question.protection_interval
        for one in (*old.stock, *then.stock, *asked.stock)
    }
    return list(_rows(steps, days, told, before.run))


def _models(in_use: Iterable[InUse], lives: Lives) -> _Models:
    """Lay out what is known of lifetimes beside them."""
    models = {(one.service_class, one.item): one for one in in_use}
    return _Models(in_use=models, points=lifetime_points(list(models.values()), lives=lives))


def _old_models(old: Asked, before: RunBefore) -> _Models:
    stand = standing(old.plant)
    return _models(fitted_again(stand, before.models), stand.fleet.lives)


def _read_until(inputs: Inputs, day: date) -> Inputs:
    """Read exchanges up to a day; everything else is cut off where it is read."""
    return replace(inputs, exchanges=_exchanges_until(inputs.exchanges, day))


def _exchanges_until(
    exchanges: Mapping[str, Sequence[ExchangeTaking]], day: date
) -> dict[str, tuple[ExchangeTaking, ...]]:
    last = day.toordinal()
    return {
        tag: tuple(
            replace(one, issued=tuple(issued for issued in one.issued if issued <= last))
            for one in taken
            if one.day <= last
        )
        for tag, taken in exchanges.items()
    }


def _each_again(steps: Iterable[tuple[Plant, Sequence[AskedStock], _Models]]) -> list[Expected]:
    """Compute expected kits of each, once for neighbours that have nothing to differ by."""
    made: list[Expected] = []
    before = None
    for plant, stock, models in steps:
        asked = [
            (one.storeroom, one.kit, one.valves, one.protection_interval) for one in (each.question for each in stock)
        ]
        read = plant, asked, models.in_use, models.points.lifetimes
        made.append(made[-1] if read == before else _expected_again(plant, stock, models))
        before = read
    return made


def _expected_again(plant: Plant, stock: Sequence[AskedStock], models: _Models) -> dict[Key, float]:
    """Compute expected kits with models of another run where it has them."""
    stand = standing(plant)
    unknown = [sample for sample in stand.samples if sample not in models.in_use]
    if unknown:
        added = [
            one
            for one in lifetimes_in_use(stand.fleet.lives, wanted=unknown)
            if (one.service_class, one.item) in unknown
        ]
        models = _models(added, stand.fleet.lives).under(models)
    lifetimes, taken = list(models.in_use.values()), list[TakeUp]()
    for windows, designs in _designs_by_windows(plant, stock).items():
        ages = [age for age in stand.ages if plant.designs[age.valve] in designs]
        asked = replace(plant, windows=tuple(sorted(windows)), questions=())
        taken += kits_used(asked, ages, lifetimes, points=models.points).taken
    return _expected(taken, stock, tags=frozenset(plant.designs))


def _designs_by_windows(plant: Plant, stock: Sequence[AskedStock]) -> dict[frozenset[Window], set[str]]:
    """Put designs together whose kits are wanted in the same windows; the fewer windows, the less work."""
    kits = {design: {need.kit for need in needs} for design, needs in plant.design_items.items()}
    for one in plant.renewals:
        kits.setdefault(one.design, set()).update(kit for kit, _ in one.kits)
    windows: dict[str, set[Window]] = {design: {YEAR} for design in plant.designs.values()}
    for question in (one.question for one in stock):
        for design in {plant.designs[tag] for tag in question.valves}:
            if question.kit in kits[design]:
                windows[design].add((0.0, question.protection_interval))
    together: dict[frozenset[Window], set[str]] = defaultdict(set)
    for design, wanted in sorted(windows.items()):
        together[frozenset(wanted)].add(design)
    return together


def _expected(taken: Iterable[TakeUp], stock: Sequence[AskedStock], *, tags: frozenset[str]) -> dict[Key, float]:
    """Sum expected kits: of the plant in a year, of each storeroom in its protection interval."""
    by_kit: dict[str, list[TakeUp]] = defaultdict(list)
    for one in taken:
        by_kit[one.kit].append(one)
    expected = {
        ("", kit): sum(
            float(kind[YEAR][row])
            for one in takers
            for kind in (one.unplanned, one.planned, one.turnaround)
            for row in _rows_of(one, tags)
        )
        for kit, takers in by_kit.items()
    }
    for question in (one.question for one in stock):
        window = (0.0, question.protection_interval)
        rows = [(one, row) for one in by_kit.get(question.kit, ()) for row in _rows_of(one, question.valves)]
        if rows:
            expected[question.storeroom, question.kit] = sum(
                float(kind[window][row]) for one, row in rows for kind in (one.unplanned, one.planned)
            )
    return expected


def _rows_of(one: TakeUp, tags: frozenset[str]) -> list[int]:
    return [row for row, tag in enumerate(one.valves) if tag in tags]


def _told_by_kit(old_events: Iterable[EventRecord], asked: Asked, *, since: date) -> dict[str, Row]:
    """Count by kit the events of its valves that were corrected and that are new."""
    corrected, new = _told_by_valve(old_events, asked.inputs.events, since=since, as_of=asked.as_of)
    takers: dict[str, set[str]] = defaultdict(set)
    kits = asked.register.kits
    for tag, design in asked.plant.designs.items():
        for kit in kits[design]:
            takers[kit].add(tag)
    return {
        kit: {
            "events_corrected": sum(corrected[tag] for tag in tags),
            "new_events": sum(new[tag] for tag in tags),
        }
        for kit, tags in takers.items()
    }


def _told_by_valve(
    old: Iterable[EventRecord], now: Iterable[EventRecord], *, since: date, as_of: date
) -> tuple[Counter[str], Counter[str]]:
    """Count events dated up to a day that are there no more, are there now, or say otherwise; and those after it."""
    facts: dict[str, Counter[bytes]] = defaultdict(Counter)
    new: Counter[str] = Counter()
    for event in old:
        if first_day(event.done_on) <= since:
            facts[event.tag][_facts(event)] -= 1
    for event in now:
        if first_day(event.done_on) <= since:
            facts[event.tag][_facts(event)] += 1
        elif first_day(event.done_on) <= as_of:
            new[event.tag] += 1
    corrected = Counter({
        tag: max(sum(n for n in changed.values() if n > 0), -sum(n for n in changed.values() if n < 0))
        for tag, changed in facts.items()
    })
    return corrected, new


def _facts(event: EventRecord) -> bytes:
    return msgspec.json.encode([getattr(event, name) for name in FACTS], order="deterministic")


def _rows(steps: Sequence[Expected], days: Mapping[Key, float], told: Mapping[str, Row], run: Run) -> Iterator[Row]:
    """Lay out one row per storeroom and kit; a number that a step doesn't have is none."""
    for key in sorted({key for step in steps for key in step}):
        before, corrected, later, with_events, after = (step.get(key, 0.0) for step in steps)
        change = split_change(before, corrected=corrected, later=later, with_events=with_events, after=after)
        storeroom, kit = key
        yield {
            "since_run": run.id,
            "since_as_of": run.as_of,
            "storeroom": storeroom,
            "kit": kit,
            "days": days[key] if storeroom else YEAR[1],
            "before": change.before,
            "record_corrections": change.record_corrections,
            "time_passing": change.time_passing,
            "new_events": change.new_events,
            "new_model": change.new_model,
            "after": change.after,
            "details": told.get(kit, {}),
        }

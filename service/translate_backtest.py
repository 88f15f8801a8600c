"""From records to a back-test's plan and takings, from its scores to rows: days become dates, 6 significant digits."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from forecasting.backtest import PRESENT, Backtest, BacktestPlan, Level, Taking, origins_within
from forecasting.backtest_scores import ANY_TARGET, Score, Verdict
from forecasting.pipeline import DesignItem, Plant
from forecasting.stocking import Rule
from service.result_rows import round6
from service.run_inputs import Asked
from service.schemas.records import EventRecord
from service.translate import successor_of
from service.translate_days import event_days
from service.translate_demand import valves_by_storeroom

HORIZON_DAYS, STEP_DAYS, MOST_ORIGINS = 365, 182, 8
LEVEL_STEP_DAYS = 30
"""Protection intervals are rounded up to multiples of this, so that few windows are forecast."""
RENEWING = frozenset({"rebuild", "exchange"})
SPENT = frozenset({"worn", "failed"})
NAMED = 5
NOTES = (
    "Only what was done by each day was read: events, and the service class of that day.",
    "Designs, kits, policies, storerooms, targets and present levels are those of today; removals after the day "
    "weren't known, and valves installed after it, or recorded for less than a year, are left out on both sides.",
    "What came is what rebuilds and exchanges took by the record: kits named, else those of the items renewed; kits of "
    "an exchange on the day they were issued for it, where that is known.",
    "A method is better where the mean difference is beyond one standard error over the days forecast from; with few "
    "days that error is itself rough.",
    "Protection intervals are rounded up to multiples of 30 days; kits kept by a fill rate are scored at 90 %, "
    "as a fill rate is no quantile.",
)
Row = dict[str, object]


def _used(event: EventRecord, needs: Sequence[DesignItem], followed: Mapping[str, str]) -> dict[str, int]:
    """Kits an event used: those it names, else what the items take that it renewed or, not saying, found spent.

    The kit that renews more covers the smaller. What its lives assume of an event that says nothing at all, that every
    item was renewed, would be far more kits than were taken.
    """
    used: dict[str, int] = {}
    if event.kits_used:
        for kit, qty in event.kits_used.items():
            used[followed.get(kit, kit)] = used.get(followed.get(kit, kit), 0) + qty
        return used
    renewed = event.renewed or [item for item, state in event.as_found.items() if state in SPENT]
    covered: set[str] = set()
    for need in sorted(needs, key=lambda one: (-len(one.renews), one.item)):
        if need.item not in covered and (event.action == "exchange" or need.item in renewed):
            used[need.kit] = used.get(need.kit, 0) + need.qty
            covered |= need.renews
    return used


def _days_taken(asked: Asked) -> dict[tuple[str, int], tuple[int, ...]]:
    """Days on which kits were issued for an exchange, by its tag and number."""
    return {
        (tag, number): one.issued
        for tag, seen in asked.plant.exchanges.items()
        for number, one in enumerate(seen)
        if one.issued
    }


def takings_of(asked: Asked) -> tuple[Taking, ...]:
    """Say which kits each rebuild and exchange took; what is done after the cut-off isn't read.

    Parameters
    ----------
    asked : Asked
        The record, and the numerics' view of it.

    Returns
    -------
    tuple of Taking
        On the day of the event; kits of an exchange on the day they were issued for it, where that is known. Superseded
        kits count as the present one.
    """
    register, last = asked.register, asked.as_of.toordinal()
    followed, issued = successor_of(asked.inputs.kits, as_of=asked.as_of), _days_taken(asked)
    dated = sorted(
        ((event_days(event, as_of=asked.as_of).done.middle, event) for event in asked.inputs.events),
        key=lambda pair: pair[0],
    )
    taken, exchanges = [], Counter[str]()
    for day, event in dated:
        if event.action not in RENEWING or day > last:
            continue
        days: tuple[int, ...] = (day,)
        if event.action == "exchange":
            days = issued.get((event.tag, exchanges[event.tag]), days)
            exchanges[event.tag] += 1
        used = _used(event, register.design_items[register.designs[event.tag]], followed)
        for number, (kit, qty) in enumerate(used.items()):
            taken.append(Taking(kit=kit, valve=event.tag, day=days[min(number, len(days) - 1)], qty=qty))
    return tuple(taken)


def scope_note(asked: Asked) -> str:
    """Say of how many events nobody can tell which kits they took.

    Parameters
    ----------
    asked : Asked
        The record, and the numerics' view of it.

    Returns
    -------
    str
        For the notes of a back-test.
    """
    done = [event for event in asked.inputs.events if event.action in RENEWING]
    unsaid = sum(event.action == "rebuild" and not event.kits_used and not event.renewed for event in done)
    return (
        f"{unsaid} of {len(done)} rebuilds and exchanges say neither what was renewed nor which kits were used: kits "
        "of what they found worn or failed count as taken, none where they say nothing of that either."
    )


def past_plant(asked: Asked) -> Plant:
    """Give a plant the turnarounds of all times, as a back-test cuts it.

    Parameters
    ----------
    asked : Asked
        The record, and the numerics' view of it.

    Returns
    -------
    Plant
        Otherwise the same.
    """
    stops: dict[str, set[int]] = defaultdict(set)
    for turnaround in asked.inputs.turnarounds:
        if turnaround.starts_on is not None:
            for area in turnaround.areas:
                stops[area].add(turnaround.starts_on.toordinal())
    days = {area: tuple(sorted(dated)) for area, dated in sorted(stops.items())}
    return replace(asked.plant, turnarounds=days)


def backtest_plan(asked: Asked) -> BacktestPlan:
    """Say what is to be scored: a year ahead half-yearly, and every level that the record or an assumption asks for.

    Parameters
    ----------
    asked : Asked
        The record, and the stock questions of today.

    Returns
    -------
    BacktestPlan
        Without an origin where the record is too short. Levels whose interval is longer than the horizon are left out.
    """
    levels = [
        Level(
            storeroom=one.question.storeroom,
            kit=one.question.kit,
            days=float(np.ceil(one.question.protection_interval / LEVEL_STEP_DAYS) * LEVEL_STEP_DAYS),
            target=one.question.target if one.question.rule is Rule.CYCLE else ANY_TARGET,
            present=one.present_reorder_point,
        )
        for one in asked.stock
        if one.question.valves
    ]
    last = asked.as_of.toordinal()
    begins = min((history.records_begin for history in asked.register.histories), default=last)
    return BacktestPlan(
        origins=origins_within(begins=begins, ends=last, horizon=HORIZON_DAYS, step=STEP_DAYS, most=MOST_ORIGINS),
        horizon=float(HORIZON_DAYS),
        levels=tuple(level for level in levels if level.days <= HORIZON_DAYS),
        storerooms=valves_by_storeroom(asked.inputs, asked.register),
    )


def score_row(score: Score) -> Row:
    """Lay out one score.

    Parameters
    ----------
    score : Score
        Of a method for a kit.

    Returns
    -------
    dict
        Columns of backtest_scores.
    """
    unit = score.unit
    return {
        "storeroom": unit.storeroom,
        "kit": unit.kit,
        "method": score.method,
        "horizon_days": unit.days,
        "target": unit.target,
        "forecasts": score.forecasts,
        "actual_mean": round6(score.came),
        "bias": round6(score.bias),
        "cover_80": round6(score.cover_80),
        "cover_90": round6(score.cover_90),
        "crps": round6(score.crps),
        "pinball": round6(score.pinball),
        "reached_share": round6(score.reached),
        "difference": round6(score.difference),
        "difference_error": round6(score.difference_error),
        "verdict": score.verdict.value,
    }


def _lost(made: Backtest) -> list[Score]:
    """Scores of other methods that beat ours by more than the standard error, one per kit, the clearest."""
    lost: dict[tuple[str, str], Score] = {}
    for score in made.scores:
        key = (score.unit.storeroom, score.unit.kit)
        if score.verdict is Verdict.WORSE and _margin(score) > (_margin(lost[key]) if key in lost else 0.0):
            lost[key] = score
    return list(lost.values())


def _margin(score: Score) -> float:
    """Difference over its standard error."""
    return (score.difference or 0.0) / max(score.difference_error or 0.0, 1e-12)


def _named(lost: Sequence[Score]) -> str:
    """Name kits and what beat our forecast of them."""
    names = [f"{one.unit.kit} ({one.method})" for one in lost[:NAMED]]
    more = [f"{len(lost) - NAMED} more"] if len(lost) > NAMED else []
    return ", ".join([*names, *more])


def backtest_summary(made: Backtest, *, computed_on: date, as_of: date) -> str:
    """Say in a few sentences how good the forecast was, and where it lost.

    Parameters
    ----------
    made : Backtest
        The scores.
    computed_on, as_of : date
        When, and up to which day the record was read.

    Returns
    -------
    str
        For the face of every run.
    """
    together = {score.method: score for score in made.scores if not score.unit.kit}
    ours, simple = together.pop("forecast"), together.values()
    lost = [one for one in _lost(made) if one.unit.kit and not one.unit.storeroom]
    kept = [one.verdict for one in made.scores if one.method == PRESENT]
    better, worse = kept.count(Verdict.BETTER), kept.count(Verdict.WORSE)
    beside = ", ".join(
        f"{(ours.crps or 0.0) / one.crps:.2f} of {one.method}" for one in simple if one.crps and one.method != PRESENT
    )
    parts = [
        f"last back-test {computed_on}, on the record up to {as_of}: from {len(made.plan.origins)} earlier days "
        f"{made.plan.horizon:.0f} days ahead, 90 % intervals held {100.0 * (ours.cover_90 or 0.0):.0f} % and 80 % "
        f"intervals {100.0 * (ours.cover_80 or 0.0):.0f} %",
        f"CRPS {beside}" if beside else "",
        f"a simple method was better for {len(lost)} kits: {_named(lost)}" if lost else "no simple method was better",
        f"beside {len(kept)} levels kept today the forecast's was better for {better}, worse for {worse}"
        if kept
        else "",
    ]
    return "; ".join(part for part in parts if part)


def backtest_details(made: Backtest, *, notes: Sequence[str]) -> Row:
    """Lay out what else is to be known of a back-test.

    Parameters
    ----------
    made : Backtest
        The scores.
    notes : sequence of str
        What is to be said besides.

    Returns
    -------
    dict
        Days forecast from, places of what came in the distributions, lost kits, and what was and wasn't known then.
    """
    return {
        "origins": [date.fromordinal(origin).isoformat() for origin in made.plan.origins],
        "kit_forecasts": made.cases,
        "pit_heights": [round6(float(height)) for height in made.heights],
        "lost": [score_row(one) for one in _lost(made)],
        "notes": [*NOTES, *notes],
    }

"""From a forecast to the demand a run stores: whose, of which kit, in which days."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil

from forecasting.consumption import Window
from forecasting.demand import Demand
from forecasting.pipeline import Forecast
from forecasting.reasons import histories_until
from service.result_rows import Row, round6
from service.translate import NO_STOREROOM, Records, Register
from service.translate_issues import untold_kinds
from service.translate_results import NextStop, counted
from service.translate_stock import AskedStock

NOISE = 1e-12
MONTHS_AHEAD = 24
OF_ALL = ("week", "month", "quarter", "year")
OF_PARTS = ("month", "quarter", "year")
"""What storerooms and service classes are stored by; other days are computed on request."""
PART = "{word}:{code}"
"""Name of a part of the plant among its areas: no code holds a colon."""
Reasons = Mapping[str, str | None]
"""By kit, what a forecast leaves out; None: nothing."""


@dataclass(frozen=True, kw_only=True)
class Period:
    """Days of the forecast, both dates inclusive."""

    bucket: str
    starts_on: date
    ends_on: date

    def window(self, as_of: date) -> Window:
        """Days from as_of, (start, end]."""
        return float((self.starts_on - as_of).days - 1), float((self.ends_on - as_of).days)


def horizon(as_of: date, *, months: int = MONTHS_AHEAD) -> date:
    """Find the last day that is forecast: the end of the calendar month so many months ahead."""
    return date(as_of.year + (as_of.month + months) // 12, (as_of.month + months) % 12 + 1, 1) - timedelta(days=1)


def forecast_periods(as_of: date, *, months: int = MONTHS_AHEAD, weeks: int = 13) -> tuple[Period, ...]:
    """Periods a run forecasts: weeks from tomorrow, then calendar months, quarters and years up to the horizon.

    Parameters
    ----------
    as_of : date
        The forecast begins the day after.
    months : int
        The horizon is the end of the calendar month so many months ahead.
    weeks : int
        How many weeks.

    Returns
    -------
    tuple of Period
        The first and last of each kind may be cut off; their dates say so.
    """
    first, last = as_of + timedelta(days=1), horizon(as_of, months=months)
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    periods = [
        Period(bucket="week", starts_on=first + timedelta(weeks=n), ends_on=first + timedelta(days=7 * n + 6))
        for n in range(weeks)
    ]
    for bucket, length in (("month", 1), ("quarter", 3), ("year", 12)):
        spans: dict[tuple[int, int], list[date]] = defaultdict(list)
        for day in days:
            spans[day.year, (day.month - 1) // length].append(day)
        periods += [Period(bucket=bucket, starts_on=span[0], ends_on=span[-1]) for span in spans.values()]
    return tuple(periods)


def turnaround_periods(records: Records, *, as_of: date) -> dict[str, dict[Period, list[str]]]:
    """Days until and in each turnaround that begins before the horizon, by area, with the codes of the turnarounds.

    Parameters
    ----------
    records : Records
        As imported.
    as_of : date
        Data cut-off; of a turnaround that has begun only the rest is to come.

    Returns
    -------
    dict of str to dict of Period to list of str
        A turnaround without a first day has none; one without a last day lasts a day; days beyond the horizon are cut.
    """
    tomorrow, last = as_of + timedelta(days=1), horizon(as_of)
    found: dict[str, dict[Period, list[str]]] = defaultdict(lambda: defaultdict(list))
    for turnaround in records.turnarounds:
        starts_on = turnaround.starts_on
        ends_on = turnaround.ends_on or starts_on
        if starts_on is None or ends_on is None or ends_on <= as_of or starts_on > last:
            continue
        begun = max(starts_on, tomorrow)
        periods = [Period(bucket="in_turnaround", starts_on=begun, ends_on=max(begun, min(ends_on, last)))]
        if begun > tomorrow:
            day_before = begun - timedelta(days=1)
            periods.append(Period(bucket="until_turnaround", starts_on=tomorrow, ends_on=day_before))
        for area in turnaround.areas:
            for period in periods:
                found[area][period].append(turnaround.code)
    return {area: dict(by_period) for area, by_period in sorted(found.items())}


def next_stops(records: Records, register: Register, *, as_of: date) -> dict[str, NextStop]:
    """Find the next turnaround of each valve's area that begins after tomorrow, up to the horizon.

    Parameters
    ----------
    records : Records
        As imported.
    register : Register
        The same, for the numerics.
    as_of : date
        Data cut-off.

    Returns
    -------
    dict of str to NextStop
        By tag.
    """
    stops: dict[str, NextStop] = {}
    for area, by_period in turnaround_periods(records, as_of=as_of).items():
        until = [period for period in by_period if period.bucket == "until_turnaround"]
        if until:
            first = min(until, key=lambda period: period.ends_on)
            stop = NextStop(window=first.window(as_of), starts_on=first.ends_on + timedelta(days=1))
            stops |= dict.fromkeys(register.areas.get(area, ()), stop)
    return stops


def shortfalls(made: Forecast, left_out: Mapping[str, Sequence[str]]) -> dict[str, str | None]:
    """Say of each kit which valves its forecast leaves out, and what else it does.

    Parameters
    ----------
    made : Forecast
        Of the run.
    left_out : mapping of str to sequence of str
        By kit, what isn't in it for other reasons.

    Returns
    -------
    dict of str to str or None
        None: nothing is left out.
    """
    notes: dict[str, set[str]] = defaultdict(set)
    for one in made.taken:
        notes[one.kit] |= {one.note} - {""}
    said: dict[str, str | None] = {}
    for kit in sorted({kit for _, kit in made.demand} | notes.keys()):
        valves = made.not_forecast.get(kit, frozenset())
        unknown = [f"{counted(len(valves), 'valve')} left out: no lifetime is known"] if valves else []
        said[kit] = "; ".join([*unknown, *left_out.get(kit, ()), *sorted(notes[kit])]) or None
    return said


def demand_columns(demand: Demand) -> Row:
    """Lay out mean, quantiles, kinds and probabilities of one distribution."""
    quantiles: Row = {f"p{level}": demand.quantile(level / 100) for level in (10, 50, 80, 90, 95)}
    return quantiles | {
        "mean": round6(demand.mean),
        "unplanned_mean": round6(demand.unplanned),
        "planned_mean": round6(demand.planned),
        "turnaround_mean": round6(demand.turnaround),
        # below this lies the noise of the transform
        "probabilities": [round6(float(p)) if p > NOISE else 0.0 for p in demand.probabilities],
    }


def _row(demand: Demand, period: Period, kit: str, reason: str | None, **whose: str) -> Row:
    """Lay out one distribution; whose it isn't by is ''."""
    return demand_columns(demand) | {
        **dict.fromkeys(("area", "storeroom", "service_class"), ""),
        **whose,
        "kit": kit,
        "bucket": period.bucket,
        "starts_on": period.starts_on,
        "ends_on": period.ends_on,
        "status": "forecast" if reason is None else "incomplete",
        "reason": reason,
        "details": {},
    }


def demand_rows(made: Forecast, periods: Sequence[Period], *, as_of: date, reasons: Reasons) -> Iterator[Row]:
    """One row per area (empty: the whole plant), kit and period; `reasons` says by kit what isn't in it.

    Yields
    ------
    dict
        Columns of run_demand.
    """
    for (area, kit), by_window in made.demand.items():
        if ":" in area:
            continue  # another part of the plant
        alone = made.from_issues.get((area, kit))
        basis: Row = {} if alone is None else untold_kinds(alone)
        for period in periods:
            yield _row(by_window[period.window(as_of)], period, kit, reasons.get(kit), area=area) | basis


def turnaround_rows(made: Forecast, records: Records, *, as_of: date, reasons: Reasons) -> Iterator[Row]:
    """One row per area, kit and days until or in one of its turnarounds.

    Yields
    ------
    dict
        Columns of run_demand; the details name the turnarounds.
    """
    by_area = turnaround_periods(records, as_of=as_of)
    for (area, kit), by_window in made.demand.items():
        for period, codes in by_area.get(area, {}).items():
            row = _row(by_window[period.window(as_of)], period, kit, reasons.get(kit), area=area)
            yield row | {"details": {"turnarounds": codes}}


def valves_by_storeroom(records: Records, register: Register) -> dict[str, frozenset[str]]:
    """Valves served by each storeroom, those to be installed too."""
    storeroom_of = {area.code: area.storeroom or NO_STOREROOM for area in records.areas}
    served: dict[str, set[str]] = defaultdict(set)
    for area, tags in register.areas.items():
        served[storeroom_of.get(area, NO_STOREROOM)] |= tags
    return {storeroom: frozenset(tags) for storeroom, tags in sorted(served.items())}


def valves_by_class(register: Register, *, as_of: date) -> dict[str, frozenset[str]]:
    """Valves of each service class, as they are forecast: on the day of as_of, or when they are installed."""
    day = as_of.toordinal()
    valves: dict[str, set[str]] = defaultdict(set)
    for history in register.histories:
        valves[histories_until([history], day)[0].service_class].add(history.valve)
    return {code: frozenset(tags) for code, tags in sorted(valves.items())}


def parts_of(by_word: Mapping[str, Mapping[str, frozenset[str]]]) -> dict[str, frozenset[str]]:
    """Name sets of valves that are no areas, for the numerics.

    Parameters
    ----------
    by_word : mapping of str to mapping of str to frozenset of str
        By `storeroom` or `service_class`, then by code, the valves.

    Returns
    -------
    dict of str to frozenset of str
        By name.
    """
    return {
        PART.format(word=word, code=code): tags for word, by_code in by_word.items() for code, tags in by_code.items()
    }


def part_rows(made: Forecast, periods: Sequence[Period], *, word: str, as_of: date, reasons: Reasons) -> Iterator[Row]:
    """One row per storeroom or service class, kit and period.

    Parameters
    ----------
    made : Forecast
        Of the run.
    periods : sequence of Period
        Only those of OF_PARTS are laid out.
    word : str
        Which parts: `storeroom` or `service_class`.
    as_of : date
        Data cut-off.
    reasons : mapping
        See `shortfalls`.

    Yields
    ------
    dict
        Columns of run_demand.
    """
    wanted = [period for period in periods if period.bucket in OF_PARTS]
    for (name, kit), by_window in made.demand.items():
        kind, _, code = name.partition(":")
        for period in wanted if kind == word and code else ():
            yield _row(by_window[period.window(as_of)], period, kit, reasons.get(kit), **{word: code})


def issued_rows(made: Forecast, periods: Sequence[Period], *, as_of: date) -> Iterator[Row]:
    """One row per storeroom, period and kit that is forecast from its issues alone.

    Yields
    ------
    dict
        Columns of run_demand.
    """
    for (storeroom, kit), alone in made.from_issues.items():
        for period in periods if storeroom else ():
            if period.bucket in OF_PARTS:
                row = _row(alone.over(period.window(as_of)), period, kit, None, storeroom=storeroom)
                yield row | untold_kinds(alone)


def protection_rows(made: Forecast, asked: Sequence[AskedStock], *, as_of: date, reasons: Reasons) -> Iterator[Row]:
    """One row per storeroom and kit: demand while an order and the next review take, without turnarounds.

    Yields
    ------
    dict
        Columns of run_demand; what the reorder point is for.
    """
    for question in (one.question for one in asked):
        key, days = (question.storeroom, question.kit), question.protection_interval
        demand = made.covering.get(key)
        if demand is None:
            continue
        period = Period(
            bucket="protection_interval",
            starts_on=as_of + timedelta(days=1),
            ends_on=as_of + timedelta(days=ceil(days)),
        )
        row = _row(demand, period, question.kit, reasons.get(question.kit), storeroom=question.storeroom)
        alone = made.from_issues.get(key)
        basis: Row = {} if alone is None else untold_kinds(alone)
        yield row | basis | {"details": {"protection_interval_days": days}}

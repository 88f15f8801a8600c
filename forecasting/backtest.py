"""How good forecasts would have been: the plant as known on earlier days in, scores beside simple methods out."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray, IntArray, check
from forecasting.backtest_scores import Case, Score, Unit, scores_of
from forecasting.baselines import baseline_rates, poisson_distribution
from forecasting.issue_demand import PERIOD
from forecasting.past_plants import plant_at
from forecasting.pipeline import Plant, forecast
from forecasting.scoring import pit_heights, probability_table

__all__ = ["Backtest", "BacktestPlan", "Level", "Taking", "backtest", "origins_within"]

OURS = "forecast"
PRESENT = "present level"
ROOM, STOPS = "storeroom:", "turnarounds:"
"""No code holds a colon."""
SHORTEST_RECORD = 365
"""Valves whose record is younger at an origin are left out there."""


@dataclass(frozen=True, kw_only=True)
class Taking:
    """Kits that an event took.

    Parameters
    ----------
    kit, valve : str [codes]
        Which kit, and for which valve.
    day : int [day number]
        When.
    qty : int [kits]
        How many.
    """

    kit: str
    valve: str
    day: int
    qty: int


@dataclass(frozen=True, kw_only=True)
class Level:
    """A level that is kept of a kit in a storeroom.

    Parameters
    ----------
    storeroom, kit : str [codes]
        Which.
    days : float [days]
        Protection interval.
    target : float in (0, 1) [1]
        Share of the intervals it should last for.
    present : int or None [kits]
        What it is today; None: not stated.
    """

    storeroom: str
    kit: str
    days: float
    target: float
    present: int | None


@dataclass(frozen=True, kw_only=True)
class BacktestPlan:
    """What is to be scored.

    Parameters
    ----------
    origins : tuple of int [day numbers]
        Days from which is forecast, in order.
    horizon : float [days]
        For which each kit of the plant is forecast.
    levels : tuple of Level [levels]
        Forecast over their protection intervals, too.
    storerooms : mapping from storeroom to tags [tags]
        Valves that each serves, or served.
    """

    origins: tuple[int, ...]
    horizon: float
    levels: tuple[Level, ...]
    storerooms: Mapping[str, frozenset[str]]


@dataclass(frozen=True, kw_only=True)
class Backtest:
    """How good the forecasts were.

    Parameters
    ----------
    plan : BacktestPlan [days]
        What was scored.
    scores : tuple of Score [scores]
        By storeroom ("" is the whole plant), kit ("" is all of them) and method.
    heights : float array, shape (10,) [1]
        Histogram of the places of what came in our year-ahead distributions.
    cases : int [forecasts]
        Kits times origins in it.
    """

    plan: BacktestPlan
    scores: tuple[Score, ...]
    heights: FloatArray
    cases: int


def origins_within(*, begins: int, ends: int, horizon: int, step: int, most: int) -> tuple[int, ...]:
    """Days to forecast from: the last whose horizon has passed, and so many steps before it.

    Parameters
    ----------
    begins, ends : int [day numbers]
        Of the record.
    horizon, step : int [days]
        How far each forecast looks, and between two of them.
    most : int [origins]
        How many at most.

    Returns
    -------
    tuple of int [day numbers]
        In order; none where the record is shorter than a year and the horizon.

    References
    ----------
    Tashman (2000), International Journal of Forecasting 16:437-450 (rolling origins; from memory).

    Examples
    --------
    >>> origins_within(begins=0, ends=1200, horizon=365, step=182, most=8)
    (471, 653, 835)
    """
    days = [ends - horizon - step * number for number in range(most)]
    return tuple(day for day in reversed(days) if day - begins >= SHORTEST_RECORD)


@dataclass(frozen=True, kw_only=True)
class _Takings:
    """All takings of one kit in columns, each shape (takings,)."""

    valve: tuple[str, ...]
    day: IntArray
    qty: IntArray

    def of(self, valves: frozenset[str]) -> tuple[IntArray, IntArray]:
        """Days and numbers of what these valves took."""
        kept = np.array([valve in valves for valve in self.valve], dtype=bool)
        return self.day[kept], self.qty[kept]


def _columns(takings: Sequence[Taking]) -> dict[str, _Takings]:
    """Put takings into columns by kit."""
    by_kit: dict[str, list[Taking]] = defaultdict(list)
    for one in takings:
        by_kit[one.kit].append(one)
    return {
        kit: _Takings(
            valve=tuple(one.valve for one in rows),
            day=np.array([one.day for one in rows], dtype=np.int64),
            qty=np.array([one.qty for one in rows], dtype=np.int64),
        )
        for kit, rows in by_kit.items()
    }


NOTHING = _Takings(valve=(), day=np.zeros(0, dtype=np.int64), qty=np.zeros(0, dtype=np.int64))


def _history(days: IntArray, qty: IntArray, *, begins: int, origin: int) -> IntArray:
    """Count what was taken up to the origin, in periods that end with it."""
    periods = max(1, round((origin - begins) / PERIOD))
    seen = (days > begins) & (days <= origin)
    back = np.minimum(((origin - days[seen]) / PERIOD).astype(np.int64), periods - 1)
    return np.bincount(periods - 1 - back, weights=qty[seen], minlength=periods).astype(np.int64)


def _begins(plant: Plant) -> dict[str, int]:
    """Day from which the events of every valve that takes a kit are complete; a kit of no design counts for all."""
    latest = max(history.records_begin for history in plant.histories)
    begins: dict[str, int] = defaultdict(lambda: latest)
    for history in plant.histories:
        for need in plant.design_items[plant.designs[history.valve]]:
            begins[need.kit] = max(begins.get(need.kit, history.records_begin), history.records_begin)
    return begins


def _by_storeroom(past: Plant, storerooms: Mapping[str, frozenset[str]]) -> Plant:
    """Have demand told by storeroom; of areas only their turnarounds are left."""
    stopped: dict[tuple[int, ...], frozenset[str]] = {}
    for area, valves in past.areas.items():
        days = past.turnarounds.get(area, ())
        if days:
            stopped[days] = stopped.get(days, frozenset()) | valves
    # a valve's turnarounds are those of the last area it is in
    areas = {ROOM + room: valves for room, valves in storerooms.items()}
    areas |= {f"{STOPS}{number}": valves for number, valves in enumerate(stopped.values())}
    return replace(
        past, areas=areas, parts={}, turnarounds={f"{STOPS}{number}": days for number, days in enumerate(stopped)}
    )


def _cases_at(plant: Plant, taken: Mapping[str, _Takings], plan: BacktestPlan, origin: int) -> list[Case]:
    """Forecast from one origin, and lay what came beside it."""
    windows = {(0.0, plan.horizon), *((0.0, level.days) for level in plan.levels)}
    past = plant_at(plant, origin, windows=tuple(sorted(windows)), youngest=SHORTEST_RECORD)
    if not past.histories:
        return []
    known = frozenset(history.valve for history in past.histories)
    demand, begins = forecast(_by_storeroom(past, plan.storerooms)).demand, _begins(past)
    units = [Unit(storeroom="", kit=kit, days=plan.horizon) for area, kit in demand if not area]
    units += [
        Unit(storeroom=one.storeroom, kit=one.kit, days=one.days, target=one.target, present=one.present)
        for one in plan.levels
        if (ROOM + one.storeroom, one.kit) in demand
    ]
    cases = []
    for unit in units:
        served = known & plan.storerooms[unit.storeroom] if unit.storeroom else known
        area = ROOM + unit.storeroom if unit.storeroom else ""
        days, qty = taken.get(unit.kit, NOTHING).of(served)
        rates = baseline_rates(_history(days, qty, begins=begins[unit.kit], origin=origin))
        distributions = {OURS: demand[area, unit.kit][0.0, unit.days].probabilities}
        for method, rate in rates.items():
            distributions[method.value] = poisson_distribution(rate * unit.days / PERIOD)
        came = int(qty[(days > origin) & (days <= origin + unit.days)].sum())
        cases.append(Case(unit=unit, origin=origin, came=max(came, 0), distributions=distributions))
    return cases


def backtest(plant: Plant, takings: Sequence[Taking], *, plan: BacktestPlan) -> Backtest:
    """Score forecasts as they would have been made from earlier days, beside simple methods and present levels.

    Parameters
    ----------
    plant : Plant [records]
        As known today, with the turnarounds of all times. Windows, questions and issues aren't used.
    takings : sequence of Taking [kits]
        What every event took.
    plan : BacktestPlan [days]
        What is to be scored.

    Returns
    -------
    Backtest [kits]
        The same plant and plan give the same scores.

    Raises
    ------
    InvalidInput
        If the plan has no origin, or looks further than the data cut-off.

    References
    ----------
    Czado, Gneiting & Held (2009), Biometrics 65:1254-1261 (scores for counts; from memory); DEVELOPERS.md,
    "Back-test".

    Examples
    --------
    >>> nothing = Plant(
    ...     as_of=900, histories=(), designs={}, design_items={}, intervals={}, windows=(), areas={}, questions=()
    ... )
    >>> backtest(nothing, [], plan=BacktestPlan(origins=(500,), horizon=365.0, levels=(), storerooms={})).cases
    0
    """
    check(len(plan.origins) > 0, "`origins` needs a day to forecast from: the record is too short")
    longest = max([plan.horizon, *(level.days for level in plan.levels)])
    late = [origin for origin in plan.origins if origin + longest > plant.as_of]
    check(not late, f"`origins` must lie {longest:g} days before the data cut-off, got {late[:3]}")
    taken = _columns(takings)
    cases = [case for origin in plan.origins for case in _cases_at(plant, taken, plan, origin)]
    ours = [case for case in cases if not case.unit.storeroom]
    heights = np.zeros(10)
    if ours:
        table = probability_table([case.distributions[OURS] for case in ours])
        heights = pit_heights(table, [case.came for case in ours])
    scores = scores_of(cases, ours=OURS, present=PRESENT)
    return Backtest(plan=plan, scores=scores, heights=heights, cases=len(ours))

"""How often intervals of a year's kits hold what came, and how near they lie, beside an oracle and simple methods.

`make study` prints the table. Plants of three classes, 20 valves each, recorded for eight years and renewed on failure;
classes of one plant spread by 0.3 in log scale and 0.15 in log shape. Five situations: steady (Weibull, scale about
four years, shape about 2.2), in phase (shape about 4, all begun within 0.4 years), sparse (scale about twelve years),
growing (a third of the valves installed within the last two years), and one that breaks the assumptions (one life in
five is an early repeat, exponential with mean 60 days, the others lognormal). A class-year is a class of a plant in the
year after the record; seeds 1, 2, ... in order, none left out. With the fit of the first class of each plant 200 and
2,000 more valves, of ages up to 1.2 scales, are forecast and played. The oracle knows how lives are drawn. A mark (!)
says that the 99 % binomial band of a coverage misses 88 to 92 %. How many plants, and which situations, may be named.
"""

import sys
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from forecasting.arrays import FloatArray, IntArray
from forecasting.baselines import baseline_rates, poisson_distribution
from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan, kits_taken
from forecasting.demand import kit_demand, mixed_demands
from forecasting.histories import Action, Event, History
from forecasting.kit_dates import kit_dates
from forecasting.kit_points import kits_at_points
from forecasting.lifetime_points import LifetimePoints, lifetime_points
from forecasting.lifetimes import Lifetime, Weibull
from forecasting.lives import lives_from_histories
from forecasting.pooling import InUse, lifetimes_in_use
from forecasting.scoring import crps, interval_cover, probability_table

RECORD, YEAR, PERIOD = 2920, 365, 30.4375
WINDOW = (0.0, float(YEAR))
CLASSES, VALVES, MANY = 3, 20, (200, 2000)
PLANTS, BATCH = 1000, 25
SCALE_SPREAD, SHAPE_SPREAD = 0.3, 0.15
REPEATS, REPEAT_MEAN = 0.2, 60.0
DATES = kit_dates([], {}, designs={}, as_of=RECORD)
MIXED, AS_IF_KNOWN, ORACLE = "mixed", "as if known", "oracle"
FIRST = "class 0"
Forecasts = dict[str, FloatArray]
Draw = Callable[[np.random.Generator, int], FloatArray]


@dataclass(frozen=True, kw_only=True)
class Repeating:
    """One life in five is an early repeat, the others are lognormal."""

    scale: float
    sigma: float

    def cumulative_hazard(self, age: ArrayLike) -> FloatArray:
        """Cumulative hazard at `age` days."""
        days = np.maximum(np.asarray(age, dtype=np.float64), 1e-9)
        late = ndtr(-np.log(days / self.scale) / self.sigma)
        return -np.log(REPEATS * np.exp(-days / REPEAT_MEAN) + (1.0 - REPEATS) * late)

    def quantile(self, probability: float) -> float:
        """Age by which this share has failed, found on a grid."""
        days = np.geomspace(1.0, 50.0 * self.scale, 2000)
        return float(np.interp(probability, -np.expm1(-self.cumulative_hazard(days)), days))

    def draw(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Draw lives."""
        late = self.scale * np.exp(self.sigma * rng.standard_normal(size))
        return np.where(rng.uniform(size=size) < REPEATS, rng.exponential(REPEAT_MEAN, size), late)


@dataclass(frozen=True, kw_only=True)
class Situation:
    """What plants are like: typical lives, within how many scales valves began, which share is new."""

    name: str
    scale: float
    shape: float
    spread: float = 4.0
    new: float = 0.0
    repeating: bool = False

    def begins(self, rng: np.random.Generator, scale: float) -> float:
        """Day on which a valve's first life begins."""
        if rng.uniform() < self.new:
            return float(rng.uniform(RECORD - 2 * YEAR, RECORD))
        return -float(rng.uniform(0.0, self.spread * scale))

    def lives(self, scale: float, shape: float) -> tuple[Lifetime, Draw]:
        """Lifetime, and how to draw from it."""
        if self.repeating:
            one = Repeating(scale=scale, sigma=np.pi / np.sqrt(6.0) / shape)
            return one, one.draw
        return Weibull(scale=scale, shape=shape), lambda rng, size: scale * rng.weibull(shape, size)


SITUATIONS = (
    Situation(name="steady", scale=1461.0, shape=2.2),
    Situation(name="in phase", scale=1461.0, shape=4.0, spread=0.1),
    Situation(name="sparse", scale=4383.0, shape=2.2),
    Situation(name="growing", scale=1461.0, shape=2.2, new=1.0 / 3.0),
    Situation(name="breaks", scale=1461.0, shape=2.2, repeating=True),
)


@dataclass(frozen=True, kw_only=True)
class Class:
    """A class played: first day and failures of each valve, in days of the record and of the year after it."""

    name: str
    item: str
    scale: float
    lifetime: Lifetime
    draw: Draw
    failures: tuple[FloatArray, ...]
    begun: FloatArray

    def histories(self) -> Iterator[History]:
        """Tell what the record says."""
        for number, (begun, days) in enumerate(zip(self.begun, self.failures, strict=True)):
            done = sorted({int(np.ceil(day)) for day in days if 0.0 < day < RECORD})
            last = int(np.floor(max([begun, *(day for day in days if day <= 0.0)])))
            yield History(
                valve=f"{self.item} {self.name} {number}",
                service_class=self.name,
                items=(self.item,),
                records_begin=0,
                installed=int(np.floor(begun)),
                last_renewed={self.item: last} if begun < 0.0 else {},
                events=tuple(Event(ref="", action=Action.REBUILD, done=day) for day in done),
            )

    def by_period(self) -> IntArray:
        """Count failures of the record in periods that end with it."""
        periods = round(RECORD / PERIOD)
        days = np.concatenate([day[(day > 0) & (day < RECORD)] for day in self.failures])
        back = np.minimum(((RECORD - days) / PERIOD).astype(np.int64), periods - 1)
        return np.bincount(periods - 1 - back, minlength=periods)

    def came(self) -> int:
        """Count failures of the year after the record."""
        return sum(int(((days >= RECORD) & (days < RECORD + YEAR)).sum()) for days in self.failures)

    def more(self, rng: np.random.Generator, ages: FloatArray) -> int:
        """Play a year of more valves of these ages."""
        lives = self.draw(rng, len(ages))
        while (short := lives <= ages).any():
            lives[short] = self.draw(rng, int(short.sum()))
        left, came = lives - ages, 0
        while (due := left < YEAR).any():
            came += int(due.sum())
            left = left[due] + self.draw(rng, int(due.sum()))
        return came


def _played(rng: np.random.Generator, situation: Situation, name: str, item: str) -> Class:
    scale = situation.scale * float(np.exp(SCALE_SPREAD * rng.standard_normal()))
    shape = situation.shape * float(np.exp(SHAPE_SPREAD * rng.standard_normal()))
    lifetime, draw = situation.lives(scale, shape)
    begun, failures = [], []
    for _ in range(VALVES):
        day = situation.begins(rng, scale)
        begun.append(day)
        days = []
        while (day := day + float(draw(rng, 1)[0])) < RECORD + YEAR:
            days.append(day)
        failures.append(np.array(days))
    return Class(
        name=name,
        item=item,
        scale=scale,
        lifetime=lifetime,
        draw=draw,
        failures=tuple(failures),
        begun=np.array(begun),
    )


def _group(lifetime: Lifetime, ages: Sequence[ItemAge], item: str) -> Group:
    plan = ItemPlan(item=item, lifetime=lifetime, interval=np.inf, kit="K", qty=1, renews=frozenset({item}))
    valves = tuple(age.valve for age in ages)
    return Group(plans=(plan,), valves=valves, ages=tuple({item: age} for age in ages))


def _forecasts(
    lifetime: Lifetime, points: Sequence[Mapping[str, Lifetime]], ages: Sequence[ItemAge], one: Class
) -> Forecasts:
    """Forecast a year mixed, as if the lifetime were known, and with the true one."""
    group = _group(lifetime, ages, one.item)
    everyone, weights = frozenset(group.valves), np.full(len(points), 1.0 / len(points))
    (made,) = kits_at_points([group], points, [WINDOW], weights=weights, running={}, dates=DATES)
    (known,), (true,) = (kits_taken(g, [WINDOW]) for g in (group, _group(one.lifetime, ages, one.item)))
    return {
        MIXED: mixed_demands([made.at], [WINDOW], valves=everyone, weights=weights)[WINDOW].probabilities,
        AS_IF_KNOWN: kit_demand([known], WINDOW, valves=everyone).probabilities,
        ORACLE: kit_demand([true], WINDOW, valves=everyone).probabilities,
    }


def _aged(one: Class, days: IntArray) -> list[ItemAge]:
    return [
        ItemAge(
            valve=str(number),
            item=one.item,
            service_class=one.name,
            age=int(age),
            survived=int(age),
            in_place=RECORD,
            awaits_renewal=False,
        )
        for number, age in enumerate(days)
    ]


@dataclass(frozen=True, kw_only=True)
class Scores:
    """Coverage of 90 % intervals by method and number of valves, and CRPS of the 20 valves by method."""

    cover: dict[tuple[str, int], list[float]]
    crps: dict[str, list[float]]

    def add(self, forecasts: Mapping[str, FloatArray], came: int, valves: int) -> None:
        """Score one class-year."""
        for method, pmf in forecasts.items():
            table = probability_table([pmf])
            self.cover[method, valves].append(float(interval_cover(table, [came], level=0.9)[0]))
            if valves == VALVES:
                self.crps[method].append(float(crps(table, [came])[0]))


def _scored(one: Class, in_use: InUse, points: LifetimePoints, ages: Sequence[ItemAge], scores: Scores) -> None:
    """Score one class: its own year, and that of more valves; a stream of its own plays those."""
    lifetime, laid = in_use.lifetime, [dict(at) for at in points.of_items(one.name, [one.item])]
    assert lifetime is not None
    rates = baseline_rates(one.by_period())
    forecasts = _forecasts(lifetime, laid, ages, one)
    forecasts |= {method.value: poisson_distribution(rate * YEAR / PERIOD) for method, rate in rates.items()}
    scores.add(forecasts, one.came(), VALVES)
    rng = np.random.default_rng([int(one.item.split()[1]), int(one.name.split()[1])])
    for valves in MANY if one.name == FIRST else ():
        days = np.linspace(0.0, 1.2 * one.scale, 60).astype(np.int64)[np.arange(valves) % 60]
        came = one.more(rng, days.astype(np.float64))
        scores.add(_forecasts(lifetime, laid, _aged(one, days), one), came, valves)


def _batch(situation: Situation, seeds: range, scores: Scores) -> None:
    """Play some plants, fit them in one batch, each an item of its own, and score them."""
    classes = {}
    for seed in seeds:
        rng = np.random.default_rng(seed)
        for number in range(CLASSES):
            one = _played(rng, situation, f"class {number}", f"plant {seed}")
            classes[one.name, one.item] = one
    histories = [history for one in classes.values() for history in one.histories()]
    fleet = lives_from_histories(histories, as_of=RECORD)
    ages: dict[tuple[str, str], list[ItemAge]] = defaultdict(list)
    for age in fleet.ages:
        ages[age.service_class, age.item].append(age)
    for seed in seeds:
        item = f"plant {seed}"
        places = [place for place, sample in enumerate(fleet.lives.samples) if sample[1] == item]
        lives, wanted = fleet.lives.of_samples(places), [key for key in classes if key[1] == item]
        in_use = lifetimes_in_use(lives, wanted=wanted)
        points = {one.service_class: lifetime_points([one], lives=lives) for one in in_use if one.lifetime is not None}
        for used in in_use:
            key = used.service_class, used.item
            _scored(classes[key], used, points[used.service_class], ages[key], scores)


def _judged(covered: Sequence[float]) -> str:
    """Say how often intervals held what came, and whether that may be 88 to 92 %."""
    share = float(np.mean(covered))
    band = 2.576 * np.sqrt(share * (1.0 - share) / len(covered))
    return f"{100 * share:5.1f}{' ' if share + band >= 0.88 and share - band <= 0.92 else '!'}"


def main() -> None:
    """Print a line for each situation."""
    plants = int(sys.argv[1]) if len(sys.argv) > 1 else PLANTS
    every = [situation.name for situation in SITUATIONS]
    named = set(sys.argv[2:]) or set(every)
    if unknown := sorted(named - set(every)):
        raise SystemExit(f"no situation is called {', '.join(unknown)}; there are {', '.join(every)}")
    for situation in (one for one in SITUATIONS if one.name in named):
        scores = Scores(cover=defaultdict(list), crps=defaultdict(list))
        for first in range(1, plants + 1, BATCH):
            _batch(situation, range(first, min(first + BATCH, plants + 1)), scores)
        ours = float(np.mean(scores.crps[MIXED]))
        cover = "  ".join(
            " ".join([method, *(_judged(scores.cover[method, valves]) for valves in (VALVES, *MANY))])
            for method in (MIXED, AS_IF_KNOWN, ORACLE)
        )
        ratios = "  ".join(
            f"{method} {ours / float(np.mean(errors)):.3f}" for method, errors in scores.crps.items() if method != MIXED
        )
        print(f"{situation.name}: {len(scores.crps[MIXED])} class-years; cover {cover}; CRPS over {ratios}", flush=True)


if __name__ == "__main__":
    main()

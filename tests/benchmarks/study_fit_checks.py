"""What the checks of a failure model are worth: power of the test of fit, size and power of groups compared.

`make study` prints the tables in DEVELOPERS.md. Seeds run in order from the ones given here and were not chosen.
"""

from collections.abc import Callable

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.families import Family
from forecasting.fitting import fit_lifetimes
from forecasting.goodness_of_fit import goodness_of_fit
from forecasting.heterogeneity import compare_groups
from forecasting.lives import Lives, lives_of_one_sample

Draw = Callable[[np.random.Generator, int], FloatArray]
FIRST_SEED, SAMPLES, LEVEL, YEAR = 95_000, 200, 0.05, 365.0
AREAS = 4


def two_weibulls(rng: np.random.Generator, count: int) -> FloatArray:
    """Three in ten fail early (scale 300, shape 1), the others wear out (scale 2000, shape 3)."""
    early = rng.random(count) < 0.3
    return np.where(early, 300.0 * rng.weibull(1.0, count), 2000.0 * rng.weibull(3.0, count))


def weibull(rng: np.random.Generator, count: int) -> FloatArray:
    """Scale 1500, shape 2."""
    return 1500.0 * rng.weibull(2.0, count)


def lognormal(rng: np.random.Generator, count: int) -> FloatArray:
    """Median 1200, log standard deviation 0.7."""
    return 1200.0 * np.exp(0.7 * rng.standard_normal(count))


def loglogistic(rng: np.random.Generator, count: int) -> FloatArray:
    """Median 1200, shape 2.5."""
    odds = rng.random(count)
    return 1200.0 * (odds / (1.0 - odds)) ** (1.0 / 2.5)


CASES: dict[str, tuple[Draw, Family]] = {
    "Weibull as Weibull (size)": (weibull, Family.WEIBULL),
    "two Weibulls as Weibull": (two_weibulls, Family.WEIBULL),
    "lognormal as Weibull": (lognormal, Family.WEIBULL),
    "log-logistic as Weibull": (loglogistic, Family.WEIBULL),
    "Weibull as lognormal": (weibull, Family.LOGNORMAL),
}


def watched(rng: np.random.Generator, draw: Draw, count: int, kind: str) -> Lives:
    """Draw lives: right-censored; half of them entered late too; or found at yearly inspections."""
    entry = np.where(rng.random(count) < 0.5, rng.uniform(0.0, 1500.0, count), 0.0) * (kind == "late")
    age = draw(rng, count)
    while (gone := age <= entry).any():
        age = np.where(gone, draw(rng, count), age)
    end = entry + rng.uniform(400.0, 2600.0, count)
    if kind == "inspected":
        end = np.asarray(YEAR * rng.integers(2, 8, count), dtype=np.float64)
        seen = YEAR * np.floor(age / YEAR)
        failed = seen + YEAR <= end
        return lives_of_one_sample(lower=np.where(failed, seen, end), upper=np.where(failed, seen + YEAR, np.inf))
    failed = age <= end
    return lives_of_one_sample(entry=entry, lower=np.minimum(age, end), upper=np.where(failed, age, np.inf))


def refused(draw: Draw, family: Family, count: int, kind: str) -> float:
    """Share of samples the test of fit objects to, of those it can test."""
    objected = tested = 0
    for seed in range(FIRST_SEED, FIRST_SEED + SAMPLES):
        lives = watched(np.random.default_rng(seed), draw, count, kind)
        fit = fit_lifetimes(lives, family=family)[0].lifetime
        check = None if fit is None else goodness_of_fit(lives, fit)
        if check is not None:
            tested, objected = tested + 1, objected + (check.p < LEVEL)
    return objected / tested


def named(ratio: float, count: int, kind: str) -> tuple[float, float]:
    """Share of plants of four areas in which the first area is named as worse, and in which another is."""
    first = others = 0
    for seed in range(FIRST_SEED, FIRST_SEED + SAMPLES):
        rng = np.random.default_rng(seed)
        area = rng.integers(0, AREAS, count)
        factor = np.where(area == 0, ratio**-0.5, 1.0)
        lives = watched(rng, lambda own, size, by=factor: weibull(own, size) * by, count, kind)  # type: ignore[misc]
        fit = fit_lifetimes(lives, family=Family.WEIBULL)[0].lifetime
        if fit is None:
            continue
        valves = [str(number) for number in range(count)]
        groups = {"area": dict(zip(valves, [str(number) for number in area], strict=True))}
        made = compare_groups(lives, valves=valves, lifetimes={("", ""): fit}, groups=groups)
        told = {one.group for one in made if one.p_holm < LEVEL and one.hazard_ratio > 1.0}
        first, others = first + ("0" in told), others + bool(told - {"0"})
    return first / SAMPLES, others / SAMPLES


def main() -> None:
    """Print both tables."""
    kinds = ("right", "late", "inspected")
    print(f"test of fit, share refused at {LEVEL:.0%}, {SAMPLES} samples a cell from seed {FIRST_SEED}")
    print("| lives | count |", " | ".join(kinds), "|")
    for name, (draw, family) in CASES.items():
        for count in (60, 200):
            cells = " | ".join(f"{refused(draw, family, count, kind):.0%}" for kind in kinds)
            print(f"| {name} | {count} | {cells} |", flush=True)
    print("groups compared: the area with so many times the hazard named / another named, corrected p below 5 %")
    print("| times | lives of four areas |", " | ".join(kinds), "|")
    for ratio, count in ((1.0, 160), (2.0, 160), (3.0, 160), (2.0, 480)):
        cells = " | ".join(" / ".join(f"{share:.0%}" for share in named(ratio, count, kind)) for kind in kinds)
        print(f"| {ratio:g} | {count} | {cells} |", flush=True)


if __name__ == "__main__":
    main()

"""How near the parameters in use come to the true ones, beside own fits, a common shape and one pool.

`make study` prints the table. Plants of 12 classes: Weibull, log scale normal around 6 years with spread 0.4, log shape
normal around log 2 with spread 0.1; 2, 5 or 11 valves a class, of uniform age up to the scale when a record of five
years begins, renewed on failure: lives entered late, exact or running at its end. 200 plants a size, seeds 1 to 200 in
order, none left out. A rival is judged on the classes for which it has an answer, and ours on the same: `ratio` is ours
over it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.stats import qmc

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.families import STANDARD, Family
from forecasting.family_choice import FamilyChoice
from forecasting.fitting import fit_weibull
from forecasting.lives import Lives
from forecasting.pooling import InUse, lifetimes_in_use, lifetimes_of_families
from forecasting.posteriors import posterior_nodes, posterior_points

YEAR = 365.25
CLASSES, RECORD = 12, 5 * YEAR
CENTRE, SPREAD = np.array([np.log(6 * YEAR), np.log(2.0)]), np.array([0.4, 0.1])
VALVES = (2, 5, 11)
FIRST_SEED, PLANTS, BATCH = 1, 200, 25
OURS, CHOSEN = "ours, Weibull given", "ours, family chosen"


@dataclass(frozen=True, kw_only=True)
class Plants:
    """Lives of several plants, each an item of its own, and the true parameters.

    `truth`, shape (samples, 2): log scale and log shape. `plant`, shape (samples,).
    """

    lives: Lives
    truth: FloatArray
    plant: IntArray


def _plant(rng: np.random.Generator, truth: FloatArray, valves: int, family: Family) -> FloatArray:
    """Lives of one plant: class, entry, lower, upper."""
    rows = []
    quantile = STANDARD[family].quantile
    for number, (log_scale, log_shape) in enumerate(truth):
        scale, shape = np.exp(log_scale), np.exp(log_shape)
        for age in rng.uniform(0.0, scale, valves):
            entry, left = float(age), RECORD
            while left > 0:
                life = 0.0
                while life <= entry:  # given that it is alive at entry
                    life = float(scale * np.exp(quantile(rng.uniform()) / shape))
                end = min(life, entry + left)
                rows.append((number, entry, end, end if end == life else np.inf))
                left, entry = left - (end - entry), 0.0
    return np.array(rows)


def plants(seeds: Sequence[int], *, valves: int, family: Family = Family.WEIBULL) -> Plants:
    """Draw plants, one a seed; shape of other families so that log life is spread as a Weibull's."""
    lives, truths = [], []
    for place, seed in enumerate(seeds):
        rng = np.random.default_rng(seed)
        truth = CENTRE + SPREAD * rng.standard_normal((CLASSES, 2))
        truth[:, 1] += np.log(STANDARD[family].slope_over_weibull)
        one = _plant(rng, truth, valves, family)
        one[:, 0] += place * CLASSES
        lives.append(one)
        truths.append(truth)
    sample, entry, lower, upper = np.concatenate(lives).T
    names = tuple((f"class {number:02}", f"plant {seed}") for seed in seeds for number in range(CLASSES))
    whole = Lives(
        samples=names,
        sample=sample.astype(np.int64),
        entry=entry,
        lower=lower,
        upper=upper,
        cause=np.arange(len(sample)),
    )
    return Plants(lives=whole, truth=np.concatenate(truths), plant=np.repeat(np.arange(len(seeds)), CLASSES))


def logs_in_use(in_use: Sequence[InUse]) -> FloatArray:
    """Log scale and log shape in use, shape (samples, 2)."""
    return np.log([[one.lifetime.scale, one.lifetime.shape] for one in in_use if one.lifetime])


def medians_in_use(in_use: Sequence[InUse]) -> FloatArray:
    """Log medians in use, shape (samples,)."""
    return np.log([one.lifetime.quantile(0.5) for one in in_use if one.lifetime])


def own_logs(lives: Lives) -> FloatArray:
    """Log scale and log shape of own fits, NaN where there is none."""
    lifetimes = [fit.lifetime for fit in fit_weibull(lives)]
    return np.array(np.log([[one.scale, one.shape] if one else [np.nan, np.nan] for one in lifetimes]))


def pooled_logs(drawn: Plants) -> FloatArray:
    """Log scale and log shape of one Weibull for all classes of a plant."""
    lives = drawn.lives
    together = Lives(
        samples=tuple(("", f"{number}") for number in range(drawn.plant.max() + 1)),
        sample=drawn.plant[lives.sample],
        entry=lives.entry,
        lower=lives.lower,
        upper=lives.upper,
        cause=lives.cause,
    )
    return own_logs(together)[drawn.plant]


def common_shape_logs(drawn: Plants) -> FloatArray:
    """Log scale and log shape at the maximum with one shape for a plant; log scale NaN without failures."""
    lives, count = drawn.lives, len(drawn.truth)
    failed = np.isfinite(lives.upper)
    failures = np.bincount(lives.sample[failed], minlength=count)
    log_age, log_entry = np.log(lives.lower / YEAR), np.log(np.maximum(lives.entry, 1e-9) / YEAR)
    log_ages = np.bincount(lives.sample[failed], log_age[failed], count)
    result = np.full((count, 2), np.nan)

    def log_scales(log_shape: float) -> FloatArray:
        steep = np.exp(log_shape)
        spent = np.bincount(lives.sample, np.exp(steep * log_age) - np.exp(steep * log_entry), count)
        return np.asarray(np.log(spent / np.where(failures > 0, failures, np.nan)) / steep)

    for plant in range(drawn.plant.max() + 1):
        own = (drawn.plant == plant) & (failures > 0)

        def height(log_shape: float, own: FloatArray = own) -> float:
            steep = np.exp(log_shape)
            terms = failures * (log_shape - steep * log_scales(log_shape) - 1.0) + steep * log_ages
            return -float(terms[own].sum())

        shape = float(minimize_scalar(height, bounds=(-2.0, 2.5), method="bounded").x)
        members = drawn.plant == plant
        result[members, 0], result[members, 1] = log_scales(shape)[members] + np.log(YEAR), shape
    return result


def given_weibull(lives: Lives) -> tuple[InUse, ...]:
    """Parameters in use if the family is known to be Weibull."""
    weibull = FamilyChoice(family=Family.WEIBULL, failures=0, runner_up=None, difference=None)
    choices = {item: weibull for _, item in lives.samples}
    return lifetimes_of_families(lives, wanted=lives.samples, choices=choices)


def log_median(logs: FloatArray) -> FloatArray:
    """Log median of a Weibull."""
    return np.asarray(logs[:, 0] + np.log(np.log(2.0)) / np.exp(logs[:, 1]))


def rms(errors: FloatArray) -> float:
    """Root mean square of those that are numbers."""
    return float(np.sqrt(np.nanmean(errors**2)))


def _points(in_use: Sequence[InUse], drawn: Plants) -> FloatArray:
    """Equally likely log scales and log shapes of every class, shape (2, samples, 512)."""
    unit = np.tile(qmc.Sobol(2, scramble=False).random(512) + 0.5 / 512, (len(in_use), 1, 1))
    points = posterior_points(posterior_nodes(in_use, lives=drawn.lives), unit=unit)
    return np.stack([points.log_scale, points.log_shape])


def _quantities(logs: FloatArray) -> dict[str, FloatArray]:
    """Log scale, log shape, log B10 life and log cumulative hazard at 3 years; logs, shape (2, ...)."""
    log_scale, log_shape = logs
    steep = np.exp(log_shape)
    return {
        "scale": log_scale,
        "shape": log_shape,
        "B10": log_scale + np.log(-np.log(0.9)) / steep,
        "survival at 3 years": steep * (np.log(3 * YEAR) - log_scale),
    }


def held(in_use: Sequence[InUse], drawn: Plants) -> dict[str, BoolArray]:
    """Whether each true value lies between the posterior's 5 and 95 % points, shape (samples,)."""
    points, truth = _quantities(_points(in_use, drawn)), _quantities(drawn.truth.T)
    below = {name: (points[name] < truth[name][:, None]).mean(axis=1) for name in truth}
    return {name: np.asarray((share > 0.05) & (share < 0.95)) for name, share in below.items()}


@dataclass(kw_only=True)
class Tally:
    """Errors of log scale and log median by way, shape (2, samples); what held; failures; families not Weibull."""

    errors: dict[str, list[FloatArray]] = field(default_factory=dict)
    held: dict[str, list[BoolArray]] = field(default_factory=dict)
    failures: int = 0
    wrong: int = 0

    def add(self, drawn: Plants) -> None:
        """Add a batch of plants."""
        given, chosen = given_weibull(drawn.lives), lifetimes_in_use(drawn.lives, wanted=drawn.lives.samples)
        median = log_median(drawn.truth)
        found = {"own fits": own_logs(drawn.lives), "common shape": common_shape_logs(drawn)}
        found |= {"one pool": pooled_logs(drawn), OURS: logs_in_use(given)}
        errors = {
            name: np.stack([logs[:, 0] - drawn.truth[:, 0], log_median(logs) - median]) for name, logs in found.items()
        }
        kept = np.array([one.choice is not None and one.choice.family is Family.WEIBULL for one in chosen])
        scale = np.where(kept, logs_in_use(chosen)[:, 0] - drawn.truth[:, 0], np.nan)
        errors[CHOSEN] = np.stack([scale, medians_in_use(chosen) - median])
        for name, of_batch in errors.items():
            self.errors.setdefault(name, []).append(of_batch)
        for name, inside in held(given, drawn).items():
            self.held.setdefault(name, []).append(inside)
        self.failures += int(np.isfinite(drawn.lives.upper).sum())
        self.wrong += int((~kept[::CLASSES]).sum())


def one_size(valves: int) -> None:
    """Print what plants of one size give."""
    tally = Tally()
    for first in range(FIRST_SEED, FIRST_SEED + PLANTS, BATCH):
        tally.add(plants(range(first, first + BATCH), valves=valves))
    errors = {name: np.concatenate(parts, axis=1) for name, parts in tally.errors.items()}
    ours = errors[OURS]
    print(
        f"\n{tally.failures / PLANTS / CLASSES:.1f} failures a class; family not Weibull in {tally.wrong} of {PLANTS}"
    )
    print(
        f"{'':<22} {'none':>6} {'ln scale':>9} {'ours there':>11} {'ratio':>6} {'ln median':>10} {'largest error':>14}"
    )
    for name, (scale, median) in errors.items():
        there = np.isfinite(scale)
        beside = rms(ours[0][there])
        print(
            f"{name:<22} {1 - there.mean():>6.1%} {rms(scale):>9.3f} {beside:>11.3f} {beside / rms(scale):>6.2f} "
            f"{rms(median):>10.3f} {np.nanmax(np.abs(scale)):>14.2f}"
        )
    for name, inside in tally.held.items():
        print(f"between the 5 and 95 % points: {name} {np.concatenate(inside).mean():.1%}")


def true_families() -> None:
    """Print how often each family is found where lives follow it and failures are many."""
    print("\nfamily chosen, by the true one; 50 plants each, 11 and 60 valves a class")
    for family in (Family.WEIBULL, Family.LOGNORMAL, Family.LOGLOGISTIC):
        for valves in (11, 60):
            drawn = plants(range(FIRST_SEED, FIRST_SEED + 50), valves=valves, family=family)
            chosen = lifetimes_in_use(drawn.lives, wanted=drawn.lives.samples)[::CLASSES]
            counts = {str(one): sum(c.choice is not None and c.choice.family is one for c in chosen) for one in Family}
            print(f"{family:<12} {valves:>3}  {counts}")


def main() -> None:
    """Print the tables."""
    for valves in VALVES:
        one_size(valves)
    true_families()


if __name__ == "__main__":
    main()

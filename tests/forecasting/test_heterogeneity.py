"""Groups within a class: the ratio and its limits by hand and by simulation, size and power of the check, its laws."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, chi2

from forecasting.arrays import BoolArray
from forecasting.errors import InvalidInput
from forecasting.families import Family
from forecasting.fitting import fit_lifetimes
from forecasting.heterogeneity import GroupContrast, compare_groups
from forecasting.lifetimes import Exponential
from forecasting.lives import Lives, lives_of_one_sample

INF = np.inf
SCALE, SHAPE, AREAS = 1500.0, 2.0, 4


def plant(rng: np.random.Generator, *, ratio: float, kind: str, count: int = 160) -> tuple[Lives, list[str]]:
    """Draw lives of four areas, the first with `ratio` times the hazard; half entered late."""
    area = rng.integers(0, AREAS, count)
    scale = SCALE * np.where(area == 0, ratio ** (-1.0 / SHAPE), 1.0)
    entry = np.where(rng.random(count) < 0.5, rng.uniform(0.0, 1200.0, count), 0.0)
    age = scale * ((entry / scale) ** SHAPE + rng.exponential(size=count)) ** (1.0 / SHAPE)
    end = entry + rng.uniform(400.0, 2600.0, count)
    failed = age <= end
    lower, upper = np.minimum(age, end), np.where(failed, age, INF)
    if kind == "inspected":
        seen = 365.0 * np.floor(age / 365.0)
        lower, upper = np.where(failed, np.maximum(entry, seen), lower), np.where(failed, seen + 365.0, INF)
    lives = lives_of_one_sample(entry=entry, lower=np.maximum(lower, entry), upper=upper)
    return lives, [f"area {number}" for number in area]


def compared(lives: Lives, groups: Sequence[str], family: Family = Family.WEIBULL) -> Mapping[str, GroupContrast]:
    """Every group beside the rest; valves are numbered."""
    fit = fit_lifetimes(lives, family=family)[0]
    assert fit.lifetime is not None
    valves = [str(number) for number in range(len(lives))]
    made = compare_groups(
        lives,
        valves=valves,
        lifetimes={("", ""): fit.lifetime},
        groups={"area": dict(zip(valves, groups, strict=True))},
    )
    return {one.group: one for one in made}


def test_a_constant_rate_gives_the_ratio_of_rates_and_its_limits_by_hand() -> None:
    """Exponential: 6 failures in 600 days against 4 in 1200; the likelihood-ratio statistic in closed form."""
    lower = [100.0] * 6 + [300.0] * 4
    lives = lives_of_one_sample(lower=lower, upper=lower)
    valves = ["A"] * 6 + ["B"] * 4
    (made,) = compare_groups(
        lives,
        valves=valves,
        lifetimes={("", ""): Exponential(scale=180.0)},
        groups={"area": {"A": "north", "B": "south"}},
    )

    def height(ratio: float) -> float:
        """Log-likelihood at a ratio, best rate of the rest put in."""
        rate = 10.0 / (1200.0 + 600.0 * ratio)
        return float(10.0 * np.log(rate) + 6.0 * np.log(ratio))

    assert (made.group, made.lives, made.failures, made.rest_failures) == ("north", 6, 6, 4)
    assert made.hazard_ratio == pytest.approx(3.0, rel=1e-6)
    assert made.p == pytest.approx(float(chi2.sf(2.0 * (height(3.0) - height(1.0)), 1)), rel=1e-6)
    for limit in (made.lower, made.upper):
        assert 2.0 * (height(3.0) - height(limit)) == pytest.approx(float(chi2.ppf(0.95, 1)), rel=1e-5)
    assert made.lower < 1.0 < 3.0 < made.upper


@pytest.mark.parametrize("kind", ["exact", "inspected"])
def test_no_group_stands_out_where_all_are_alike_more_often_than_allowed(kind: str) -> None:
    """80 plants of four like areas: one or more flagged at 5 % at most within the 99.9 % binomial bound."""
    rng, flagged, plants = np.random.default_rng(1_700), 0, 80
    for _ in range(plants):
        made = compared(*plant(rng, ratio=1.0, kind=kind))
        flagged += min(one.p_holm for one in made.values()) < 0.05
    assert flagged <= float(binom.ppf(0.9995, plants, 0.05))


@pytest.mark.parametrize("kind", ["exact", "inspected"])
def test_an_area_three_times_as_bad_is_named_and_its_ratio_covered(kind: str) -> None:
    """40 plants: named in four of five, never the other way round; limits hold 3 within the binomial bound."""
    rng, named, held, plants = np.random.default_rng(1_701), 0, 0, 40
    for _ in range(plants):
        worst = compared(*plant(rng, ratio=3.0, kind=kind))["area 0"]
        named += worst.p_holm < 0.05 and worst.hazard_ratio > 1.0
        held += worst.lower <= 3.0 <= worst.upper
    assert named >= 0.8 * plants
    assert held >= float(binom.ppf(0.0005, plants, 0.95))


@pytest.mark.parametrize("family", list(Family), ids=str)
def test_every_family_is_compared_by_its_own_hazard(family: Family) -> None:
    lives, areas = plant(np.random.default_rng(1_702), ratio=4.0, kind="inspected", count=400)
    worst = compared(lives, areas, family)["area 0"]
    assert worst.lower < worst.hazard_ratio < worst.upper
    assert worst.p_holm < 0.01


def test_the_unit_of_time_changes_nothing() -> None:
    lives, areas = plant(np.random.default_rng(1_703), ratio=2.0, kind="inspected")
    years = replace(lives, entry=lives.entry / 365.25, lower=lives.lower / 365.25, upper=lives.upper / 365.25)
    for days, other in zip(compared(lives, areas).values(), compared(years, areas).values(), strict=True):
        assert other.hazard_ratio == pytest.approx(days.hazard_ratio, rel=1e-6)
        assert other.p == pytest.approx(days.p, rel=1e-5)


def test_holm_multiplies_the_smallest_by_all_and_never_falls() -> None:
    made = sorted(compared(*plant(np.random.default_rng(1_704), ratio=2.0, kind="exact")).values(), key=lambda c: c.p)
    assert made[0].p_holm == pytest.approx(min(1.0, 4.0 * made[0].p))
    assert [one.p_holm for one in made] == sorted(one.p_holm for one in made)
    assert all(one.p <= one.p_holm <= 1.0 for one in made)


def groups_of(first: BoolArray) -> list[str]:
    return ["few" if own else "many" for own in first.tolist()]


def test_two_failures_are_too_few_to_compare() -> None:
    ages = [100.0, 200.0, 300.0, 400.0, 500.0, 650.0]
    lives = lives_of_one_sample(lower=ages, upper=ages)
    assert compared(lives, groups_of(np.arange(6) < 2)) == {}
    assert set(compared(lives, groups_of(np.arange(6) < 3))) == {"few"}


def test_a_failure_whose_item_is_not_said_counts_as_still_running() -> None:
    ages = np.array([100.0, 200.0, 300.0, 400.0, 500.0, 650.0])
    shared = replace(lives_of_one_sample(lower=ages, upper=ages), cause=np.array([0, 1, 1, 2, 3, 4]))
    made = compare_groups(
        shared,
        valves=["A", "A", "A", "B", "B", "B"],
        lifetimes={("", ""): Exponential(scale=350.0)},
        groups={"area": {"A": "north", "B": "south"}},
    )
    assert made == ()


def test_one_valve_is_needed_for_each_life() -> None:
    with pytest.raises(InvalidInput, match="columns must have one length"):
        compare_groups(lives_of_one_sample(lower=[3.0], upper=[3.0]), valves=[], lifetimes={}, groups={})


def test_a_level_of_one_is_refused() -> None:
    with pytest.raises(InvalidInput, match="`level` must lie between 0 and 1"):
        compare_groups(lives_of_one_sample(lower=[3.0], upper=[3.0]), valves=["A"], lifetimes={}, groups={}, level=1.0)

"""Our fits beside those of other packages on generated lives of every censoring kind each supports, and at the edges.

`make oracles` recomputes what they give, in an environment of its own; versions stand in the tables.
"""

import csv
from collections import defaultdict
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from forecasting.errors import InvalidInput
from forecasting.families import Family
from forecasting.fitting import FitStatus, fit_lifetimes, fit_weibull
from forecasting.heterogeneity import GroupContrast, compare_groups
from forecasting.lives import Lives, lives_of_one_sample
from forecasting.nonparametric import failed_by_age, steady_age
from tests.oracles.edge_cases import edge_cases

REFERENCE = Path(__file__).parents[1] / "reference"
TOLERANCE = {"lifelines": 2e-4, "surpyval": 5e-6, "scipy": 2e-5, "statsmodels": 2e-6}
"""Relative: how far from the maximum each peer stops."""
KINDS = ("exact", "right", "interval", "late", "late_and_interval", "left", "mixed", "late_and_mixed")
LOST = {("lifelines", "exponential", kind) for kind in ("interval", "late_and_interval", "late_and_mixed")}
"""Where a peer stops at its start or its bound, far from the maximum; surpyval agrees with ours there."""
FIRST_GROUP = 20
AT_EDGES = 2e-4
"""Relative: farther from the maximum, a number is wrong."""
SAID_EACH_TIME = {"", "UserWarning"}
"""statsmodels gives one general warning of this kind with right answers too, so it says nothing of a wrong one."""
RIGHT, REFUSED, WARNED, SILENT, NO_TRUNCATION = "right", "refused", "warned", "silently wrong", "can't be expressed"
FITTED = FitStatus.FITTED


@cache
def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def sample(kind: str) -> Lives:
    own = [row for row in rows("oracle_samples.csv") if row["sample"] == kind]
    columns = {name: np.array([float(row[name]) for row in own]) for name in ("entry", "lower", "upper")}
    return lives_of_one_sample(**columns)


@pytest.mark.parametrize(
    "theirs", rows("oracle_fits.csv"), ids=lambda row: f"{row['peer']}-{row['version']}-{row['family']}-{row['sample']}"
)
def test_our_maximum_is_that_of_the_peer(theirs: dict[str, str]) -> None:
    fit = fit_lifetimes(sample(theirs["sample"]), family=Family(theirs["family"]))[0]
    assert fit.lifetime is not None
    expected = (float(theirs["scale"]), float(theirs["shape"]))
    if (theirs["peer"], theirs["family"], theirs["sample"]) in LOST:
        assert expected[0] < 0.01 * fit.lifetime.scale
        return
    assert (fit.lifetime.scale, fit.lifetime.shape) == pytest.approx(expected, rel=TOLERANCE[theirs["peer"]])


def test_every_peer_is_asked_for_every_family_and_kind_it_knows() -> None:
    """No late entry in scipy; statsmodels no censored lifetimes, so it climbs a Weibull likelihood given to it."""
    late, exact = {kind for kind in KINDS if kind.startswith("late")}, {"exact", "right", "late"}
    known = {(peer, family, kind) for peer in ("lifelines", "surpyval") for family in Family for kind in KINDS}
    known |= {("scipy", family, kind) for family in Family for kind in KINDS if kind not in late}
    known |= {("statsmodels", Family.WEIBULL, kind) for kind in exact}
    assert {(row["peer"], row["family"], row["sample"]) for row in rows("oracle_fits.csv")} == known


@pytest.mark.parametrize("kind", ["exact", "right", "late"])
def test_the_share_failed_is_the_product_limit_of_statsmodels(kind: str) -> None:
    theirs = {float(row["age"]): float(row["failed"]) for row in rows("oracle_shares.csv") if row["sample"] == kind}
    lives = sample(kind)
    assert steady_age(lives) == 0.0
    ours = failed_by_age(lives)
    assert dict(zip(ours.age, ours.failed, strict=True)) == pytest.approx(
        {age: share for age, share in theirs.items() if age in set(ours.age)}, abs=1e-9
    )
    assert len(ours.age) >= 30


def contrast(kind: str) -> GroupContrast:
    """The first lives of a sample beside the rest."""
    lives = sample(kind)
    fit = fit_weibull(lives)[0]
    assert fit.lifetime is not None
    first = ["A"] * FIRST_GROUP + ["B"] * (len(lives) - FIRST_GROUP)
    (made,) = compare_groups(
        lives, valves=first, lifetimes={("", ""): fit.lifetime}, groups={"area": {"A": "first"}}, level=0.6826895
    )
    return made


@pytest.mark.parametrize(
    "theirs",
    rows("oracle_ratios.csv"),
    ids=lambda row: f"{row['peer']}-{row['version']}-{row['model']}-{row['sample']}",
)
def test_a_hazard_ratio_is_that_of_a_regression(theirs: dict[str, str]) -> None:
    """A Weibull regression is the same model; Cox's assumes no family, so it may differ by a third of its error."""
    ours, ratio = contrast(theirs["sample"]), float(theirs["log_ratio"])
    if theirs["model"] == "weibull":
        assert np.log(ours.hazard_ratio) == pytest.approx(ratio, abs=5e-4)
        return
    error = float(theirs["standard_error"])
    assert abs(np.log(ours.hazard_ratio) - ratio) < error / 3.0
    assert np.log(ours.upper / ours.lower) / 2.0 == pytest.approx(error, rel=0.1)


# ours, then what each peer does: lifelines, surpyval, scipy, statsmodels
EDGES: dict[str, tuple[FitStatus | None, str, str, str, str]] = {
    "one failure of 20, amid longer lives": (FITTED, RIGHT, REFUSED, RIGHT, RIGHT),
    "one failure of 20, the largest age": (FitStatus.AT_LARGEST_AGE, SILENT, REFUSED, SILENT, WARNED),
    "no failure of 20": (FitStatus.NO_FAILURES, WARNED, REFUSED, SILENT, SILENT),
    "all ten failures on one day": (FitStatus.AT_LARGEST_AGE, SILENT, REFUSED, WARNED, WARNED),
    "a failure at age 0": (None, REFUSED, REFUSED, SILENT, WARNED),
    "a life censored on the day it entered": (FITTED, RIGHT, REFUSED, NO_TRUNCATION, RIGHT),
    "ages of millionths": (FITTED, RIGHT, RIGHT, RIGHT, RIGHT),
    "ages in seconds": (FITTED, RIGHT, RIGHT, RIGHT, RIGHT),
    "shape 0.3": (FITTED, RIGHT, RIGHT, RIGHT, RIGHT),
    "shape 15": (FITTED, RIGHT, RIGHT, RIGHT, RIGHT),
    "95 % censored": (FITTED, RIGHT, RIGHT, RIGHT, RIGHT),
    "60 lives through a short window": (FITTED, RIGHT, RIGHT, NO_TRUNCATION, RIGHT),
    "15 lives through a short window": (FITTED, RIGHT, RIGHT, NO_TRUNCATION, RIGHT),
}
CASES = dict(edge_cases())


def verdict(theirs: dict[str, str], truth: tuple[float, float] | None) -> str:
    """Judge what a peer gave: right, refused, wrong with a warning, or wrong without a word."""
    if theirs["outcome"] == "unsupported":
        return NO_TRUNCATION
    if theirs["outcome"] != "value":
        return REFUSED
    given = (float(theirs["scale"]), float(theirs["shape"]))
    if truth is not None and given == pytest.approx(truth, rel=AT_EDGES):
        return RIGHT
    return SILENT if theirs["warnings"] in SAID_EACH_TIME else WARNED


def maximum(case: str) -> tuple[float, float] | None:
    """Our fit of an edge case; None where there is none."""
    try:
        fit = fit_weibull(lives_of_one_sample(**CASES[case]))[0]
    except InvalidInput:
        return None
    return None if fit.lifetime is None else (fit.lifetime.scale, fit.lifetime.shape)


@pytest.mark.parametrize("case", list(EDGES))
def test_at_an_edge_ours_is_the_maximum_or_a_reason(case: str) -> None:
    """A number only where peers that find the maximum agree on it; a failure at age 0 is refused with its row."""
    expected = EDGES[case][0]
    if expected is None:
        with pytest.raises(InvalidInput, match=r"a life needs 0 <= entry <= lower <= upper with upper > 0"):
            fit_weibull(lives_of_one_sample(**CASES[case]))
        return
    fit = fit_weibull(lives_of_one_sample(**CASES[case]))[0]
    assert fit.status is expected
    assert (fit.lifetime is None) is (expected is not FITTED)
    assert bool(fit.reason) is (expected is not FITTED)


@pytest.mark.parametrize("case", list(EDGES))
def test_at_an_edge_each_peer_does_what_the_table_says(case: str) -> None:
    theirs = {row["peer"]: row for row in rows("oracle_edge_cases.csv") if row["case"] == case}
    truth = maximum(case)
    assert tuple(verdict(theirs[peer], truth) for peer in TOLERANCE) == EDGES[case][1:]


def test_the_table_of_edges_holds_every_case_and_peer() -> None:
    told = defaultdict(set)
    for row in rows("oracle_edge_cases.csv"):
        told[row["case"]].add(row["peer"])
    assert told == {case: set(TOLERANCE) for case in CASES}
    assert list(EDGES) == list(CASES)


def test_a_window_of_four_failures_has_a_maximum_far_from_the_truth_and_few_failures_to_show_for_it() -> None:
    """15 lives of scale 4, shape 1.2: what is printed must carry its failures, which is why classes lean on others."""
    fit = fit_weibull(lives_of_one_sample(**CASES["15 lives through a short window"]))[0]
    assert fit.failures < 6
    assert fit.truncated == 15

"""Our fits beside those of other packages on generated lives of every censoring kind each supports."""

import csv
from pathlib import Path

import numpy as np
import pytest

from forecasting.families import Family
from forecasting.fitting import fit_lifetimes
from forecasting.lives import Lives, lives_of_one_sample

REFERENCE = Path(__file__).parents[1] / "reference"
TOLERANCE = {"lifelines": 2e-4, "surpyval": 5e-6, "scipy": 2e-5}
"""Relative: how far from the maximum each peer stops."""


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
    assert (fit.lifetime.scale, fit.lifetime.shape) == pytest.approx(expected, rel=TOLERANCE[theirs["peer"]])


def test_every_peer_is_asked_for_every_family() -> None:
    assert {(row["peer"], row["family"]) for row in rows("oracle_fits.csv")} == {
        (peer, family) for peer in TOLERANCE for family in ("weibull", "lognormal", "loglogistic")
    }

"""Recompute the values other packages give, in an environment of their own: `make oracles`.

Writes tests/reference/oracle_samples.csv and oracle_fits.csv; `make test` only reads them.
"""

import csv
import subprocess
import sys
import venv
from collections.abc import Iterator
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
REFERENCE = ROOT / "tests" / "reference"
ENVIRONMENT = ROOT / ".oracles"
PEERS = ("lifelines==0.30.3", "surpyval==0.25", "scipy==1.17.1")
SCALE, SHAPE, LIVES = 1500.0, 2.0, 60
KINDS = ("exact", "right", "interval", "late", "late_and_interval")
Row = dict[str, object]


def samples() -> Iterator[Row]:
    """Generate lives of every kind of censoring, to a tenth of a day."""
    for number, kind in enumerate(KINDS):
        rng = np.random.default_rng(4_000 + number)
        late = kind.startswith("late")
        entry = np.where(rng.random(LIVES) < 0.5, rng.uniform(0.0, 1500.0, LIVES), 0.0).round(1) * late
        age = SCALE * ((entry / SCALE) ** SHAPE + rng.exponential(size=LIVES)) ** (1.0 / SHAPE)
        age = np.maximum(age.round(1), entry + 0.1)
        end = np.full(LIVES, np.inf) if kind == "exact" else (entry + rng.uniform(300.0, 2600.0, LIVES)).round(1)
        failed, lower = age <= end, np.minimum(age, end)
        upper = np.where(failed, age, np.inf)
        if kind.endswith("interval"):
            seen = np.floor(age / 365.0) * 365.0
            lower = np.where(failed, np.maximum(entry, seen), lower)
            upper = np.where(failed, seen + 365.0, np.inf)
        for life in zip(entry.tolist(), lower.tolist(), upper.tolist(), strict=True):
            yield {"sample": kind, "entry": life[0], "lower": life[1], "upper": life[2]}


def by_lifelines(entry: Any, lower: Any, upper: Any) -> Iterator[tuple[str, float, float]]:
    """Give family, scale and shape as lifelines has them."""
    peer = import_module("lifelines")
    fitters = {"weibull": peer.WeibullFitter, "lognormal": peer.LogNormalFitter, "loglogistic": peer.LogLogisticFitter}
    for family, fitter in fitters.items():
        if np.isfinite(upper).all() and (lower == upper).all():
            fit = fitter().fit(lower)
        elif (lower[np.isfinite(upper)] == upper[np.isfinite(upper)]).all():
            fit = fitter().fit(lower, np.isfinite(upper), entry=entry if entry.any() else None)
        else:
            fit = fitter().fit_interval_censoring(lower, upper, entry=entry if entry.any() else None)
        values = {"weibull": ("lambda_", "rho_"), "lognormal": ("mu_", "sigma_"), "loglogistic": ("alpha_", "beta_")}
        first, second = (float(getattr(fit, name)) for name in values[family])
        yield (family, np.exp(first), 1.0 / second) if family == "lognormal" else (family, first, second)


def by_surpyval(entry: Any, lower: Any, upper: Any) -> Iterator[tuple[str, float, float]]:
    """Give family, scale and shape as surpyval has them."""
    peer = import_module("surpyval")
    for family, name in (("weibull", "Weibull"), ("lognormal", "LogNormal"), ("loglogistic", "LogLogistic")):
        late = {"tl": entry} if entry.any() else {}
        first, second = (float(value) for value in getattr(peer, name).fit(xl=lower, xr=upper, **late).params)
        yield (family, np.exp(first), 1.0 / second) if family == "lognormal" else (family, first, second)


def by_scipy(entry: Any, lower: Any, upper: Any) -> Iterator[tuple[str, float, float]]:
    """Give family, scale and shape as scipy has them; it knows no late entry."""
    if entry.any():
        return
    peer = import_module("scipy.stats")
    exact, running = lower == upper, np.isinf(upper)
    between = np.stack([lower, upper], axis=1)[~exact & ~running]
    data = peer.CensoredData(uncensored=lower[exact], right=lower[running], interval=between)
    for family, name in (("weibull", "weibull_min"), ("lognormal", "lognorm"), ("loglogistic", "fisk")):
        shape, _, scale = getattr(peer, name).fit(data, floc=0)
        yield family, float(scale), 1.0 / float(shape) if family == "lognormal" else float(shape)


FITTED_BY = {"lifelines": by_lifelines, "surpyval": by_surpyval, "scipy": by_scipy}


def fits(lives: list[Row]) -> Iterator[Row]:
    """Fit every sample by every peer that can."""
    for kind in KINDS:
        own = np.array(
            [[life["entry"], life["lower"], life["upper"]] for life in lives if life["sample"] == kind], float
        )
        for peer, fitted in FITTED_BY.items():
            for family, scale, shape in fitted(*own.T):
                yield {
                    "sample": kind,
                    "family": family,
                    "peer": peer,
                    "version": version(peer),
                    "scale": f"{scale:.12g}",
                    "shape": f"{shape:.12g}",
                }


def write(name: str, rows: list[Row]) -> None:
    """Write a table beside the other reference values."""
    with (REFERENCE / name).open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)


def main() -> None:
    """Make the environment if it isn't there, go on inside it, and write both tables."""
    python = ENVIRONMENT / "bin" / "python"
    if Path(sys.prefix) != ENVIRONMENT:
        if not python.exists():
            venv.create(ENVIRONMENT, with_pip=True)
            subprocess.run([python, "-m", "pip", "install", "--quiet", *PEERS], check=True)
        subprocess.run([python, __file__], check=True)
        return
    lives = list(samples())
    write("oracle_samples.csv", lives)
    write("oracle_fits.csv", list(fits(lives)))


if __name__ == "__main__":
    main()

"""Recompute the values other packages give, in an environment of their own: `make oracles`.

Writes the tables oracle_*.csv in tests/reference; `make test` only reads them.
"""

import csv
import subprocess
import sys
import venv
import warnings
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import numpy as np

from tests.oracles.edge_cases import Ages, edge_cases
from tests.oracles.peers import FAMILIES, FITTED_BY, PEERS, hazard_ratios, product_limit

ROOT = Path(__file__).parents[2]
REFERENCE = ROOT / "tests" / "reference"
ENVIRONMENT = ROOT / ".oracles"
SCALE, SHAPE, LIVES = 1500.0, 2.0, 60
KINDS = ("exact", "right", "interval", "late", "late_and_interval", "left", "mixed", "late_and_mixed")
FIRST_GROUP = 20
"""So many lives of each sample are the group that is compared with the rest."""
Row = dict[str, object]


def samples() -> Iterator[Row]:
    """Generate lives of every kind of censoring, to a tenth of a day."""
    for number, kind in enumerate(KINDS):
        rng = np.random.default_rng(4_000 + number)
        late = kind.startswith("late")
        entry = np.where(rng.random(LIVES) < 0.5, rng.uniform(0.0, 1500.0, LIVES), 0.0).round(1) * late
        age = SCALE * ((entry / SCALE) ** SHAPE + rng.exponential(size=LIVES)) ** (1.0 / SHAPE)
        age = np.maximum(age.round(1), entry + 0.1)
        end = (
            np.full(LIVES, np.inf)
            if kind in {"exact", "left"}
            else (entry + rng.uniform(300.0, 2600.0, LIVES)).round(1)
        )
        failed, lower = age <= end, np.minimum(age, end)
        upper = np.where(failed, age, np.inf)
        if kind.endswith("interval"):
            seen = np.floor(age / 365.0) * 365.0
            lower = np.where(failed, np.maximum(entry, seen), lower)
            upper = np.where(failed, seen + 365.0, np.inf)
        if kind == "left":
            first = rng.uniform(200.0, 1500.0, LIVES).round(1)
            lower, upper = np.where(age <= first, 0.0, age), np.maximum(age, np.where(age <= first, first, age))
        if kind.endswith("mixed"):
            # one in three found at its first look, one in three at a yearly one, the others on the day
            seen, turn = np.floor(age / 365.0) * 365.0, np.arange(LIVES) % 3
            lower = np.where(
                failed & (turn == 0), entry, np.where(failed & (turn == 1), np.maximum(entry, seen), lower)
            )
            upper = np.where(failed & (turn < 2), seen + 365.0, upper)
        for life in zip(entry.tolist(), lower.tolist(), upper.tolist(), strict=True):
            yield {"sample": kind, "entry": life[0], "lower": life[1], "upper": life[2]}


def columns_of(lives: list[Row], kind: str) -> list[Ages]:
    """Entry, lower and upper of one sample."""
    own = [[life["entry"], life["lower"], life["upper"]] for life in lives if life["sample"] == kind]
    return list(np.array(own, dtype=np.float64).T)


def fits(lives: list[Row]) -> Iterator[Row]:
    """Fit every sample by every peer that can."""
    for kind in KINDS:
        for peer, fitted in FITTED_BY.items():
            for family in FAMILIES:
                made = fitted(family, *columns_of(lives, kind))
                if made is not None:
                    yield {
                        "sample": kind,
                        "family": family,
                        "peer": peer,
                        "version": version(peer),
                        "scale": f"{made[0]:.12g}",
                        "shape": f"{made[1]:.12g}",
                    }


def ratios(lives: list[Row]) -> Iterator[Row]:
    """Compare the first lives of every sample with the rest."""
    for kind in KINDS:
        inside = np.arange(LIVES) < FIRST_GROUP
        entry, lower, upper = columns_of(lives, kind)
        for peer, model, ratio, error in hazard_ratios(entry, lower, upper, inside):
            yield {
                "sample": kind,
                "model": model,
                "peer": peer,
                "version": version(peer),
                "log_ratio": f"{ratio:.10g}",
                "standard_error": f"{error:.10g}",
            }


def shares(lives: list[Row]) -> Iterator[Row]:
    """Give the share failed by age where lives are exact or running."""
    for kind in ("exact", "right", "late"):
        for age, share in product_limit(*columns_of(lives, kind)):
            yield {"sample": kind, "version": version("statsmodels"), "age": f"{age:.12g}", "failed": f"{share:.12g}"}


def edges() -> Iterator[Row]:
    """Fit every edge case by every peer, and note whether it refused, warned or said nothing."""
    for case, columns in edge_cases():
        for peer, fitted in FITTED_BY.items():
            row: Row = {"case": case, "peer": peer, "version": version(peer), "scale": "", "shape": ""}
            with warnings.catch_warnings(record=True) as heard:
                warnings.simplefilter("always")
                try:
                    made = fitted("weibull", *columns.values())
                    told = "unsupported" if made is None else "value"
                except Exception as error:  # what a peer raises is its outcome
                    made, told = None, f"refused: {type(error).__name__}"
            if made is not None:
                row |= {"scale": f"{made[0]:.10g}", "shape": f"{made[1]:.10g}"}
            heard_of = sorted({one.category.__name__ for one in heard} - {"DeprecationWarning", "FutureWarning"})
            yield row | {"outcome": told, "warnings": " ".join(heard_of)}


def write(name: str, rows: list[Row]) -> None:
    """Write a table beside the other reference values."""
    with (REFERENCE / name).open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)


def in_environment(module: str) -> bool:
    """Whether this is the peers' environment; if not, make it if it isn't there, and run the module inside it."""
    if Path(sys.prefix) == ENVIRONMENT:
        return True
    python, stamp, wanted = ENVIRONMENT / "bin" / "python", ENVIRONMENT / ".peers", "\n".join(PEERS)
    if not stamp.exists() or stamp.read_text(encoding="utf-8") != wanted:
        if not python.exists():
            venv.create(ENVIRONMENT, with_pip=True)
        subprocess.run([python, "-m", "pip", "install", "--quiet", *PEERS], check=True)
        stamp.write_text(wanted, encoding="utf-8")
    subprocess.run([python, "-m", module], cwd=ROOT, check=True)
    return False


def main() -> None:
    """Write the tables."""
    if not in_environment("tests.oracles.recompute"):
        return
    lives = list(samples())
    write("oracle_samples.csv", lives)
    write("oracle_fits.csv", list(fits(lives)))
    write("oracle_ratios.csv", list(ratios(lives)))
    write("oracle_shares.csv", list(shares(lives)))
    write("oracle_edge_cases.csv", list(edges()))


if __name__ == "__main__":
    main()

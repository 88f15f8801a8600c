"""Mean number of replacements by age: the computed table of the valve seats, its limits by hand, its laws."""

import csv
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from forecasting.errors import InvalidInput
from forecasting.mean_cumulative import mean_cumulative

REFERENCE = Path(__file__).parents[1] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def valve_seats() -> tuple[list[list[float]], list[float]]:
    """Replacements of each of the 41 engines, and the age at which its watch ended."""
    failures, watched = defaultdict(list), {}
    for row in rows("valve_seat_nelson1995.csv"):
        if row["status"] == "1":
            failures[row["id"]].append(float(row["time"]))
        else:
            watched[row["id"]] = float(row["time"])
    return [failures[engine] for engine in watched], list(watched.values())


@pytest.mark.parametrize(
    ("column", "name", "digits"),
    [
        ("time", "age", 0),
        ("at_risk", "at_risk", 0),
        ("events", "failures", 0),
        ("mcf", "mean", 8),
        ("se_robust_LN", "standard_error", 8),
        ("lo_log_se_robust_LN", "lower", 8),
        ("hi_log_se_robust_LN", "upper", 8),
    ],
    ids=lambda value: f"computed-valve-seats-{value}" if value in {"mcf", "se_robust_LN"} else str(value),
)
def test_valve_seats_every_age_of_the_computed_table(column: str, name: str, digits: int) -> None:
    """46 ages; mean and robust limits as another program has them (computed, agree to 6 digits or more)."""
    failures, watched = valve_seats()
    made = mean_cumulative(failures, watched=watched)
    table = np.array([float(row[column]) for row in rows("valve_seat_mcf_computed.csv")])
    assert getattr(made, name) == pytest.approx(table, abs=0.5000001 * 10.0**-digits)


def test_an_engine_whose_watch_ends_leaves_after_the_failures_of_that_age() -> None:
    """Two engines end at 653 days, when a third fails twice: 9 at risk and 1.5427, not 7 and 1.6062."""
    failures, watched = valve_seats()
    made = mean_cumulative(failures, watched=watched)
    at = list(made.age).index(653.0)
    assert (made.at_risk[at], round(made.mean[at], 4)) == (9.0, 1.5427)


def test_while_nobody_has_left_the_robust_error_is_that_of_a_mean_of_counts() -> None:
    failures, watched = valve_seats()
    made = mean_cumulative(failures, watched=watched)
    for age, error in zip(made.age[made.age <= 377], made.standard_error, strict=False):
        counts = [sum(day <= age for day in engine) for engine in failures]
        assert error == pytest.approx(np.std(counts) / np.sqrt(41), rel=1e-12)


def test_failures_that_hang_together_widen_the_limits() -> None:
    """Five systems with failures in common: the covariance within a system counts."""
    apart = mean_cumulative([[5.0], [8.0], [], []], watched=[9.0] * 4)
    together = mean_cumulative([[5.0, 8.0], [], [], []], watched=[9.0] * 4)
    assert together.mean == pytest.approx(apart.mean)
    assert together.standard_error[-1] > apart.standard_error[-1]


def test_a_failure_outside_its_watch_is_refused() -> None:
    with pytest.raises(InvalidInput, match="`events` must lie within `watched`"):
        mean_cumulative([[5.0]], watched=[4.0])


def test_a_level_of_one_is_refused() -> None:
    with pytest.raises(InvalidInput, match="`level` must lie between 0 and 1"):
        mean_cumulative([[5.0]], watched=[9.0], level=1.0)

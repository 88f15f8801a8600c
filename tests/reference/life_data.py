"""The published sets of lives beside this file, as lives; SOURCES.md says where each comes from."""

import math
from dataclasses import replace

import numpy as np

from forecasting.lives import Lives, lives_of_one_sample
from tests.reference import slow

INF = math.inf


def small_set(name: str) -> Lives:
    """One of the small right-censored sets."""
    rows = [row for row in slow.rows("weibull_small_censored_sets.csv") if row["set"] == name]
    ages = [float(row["time"]) for row in rows]
    ends = [float(row["time"]) if row["event"] == "1" else INF for row in rows]
    return lives_of_one_sample(lower=ages, upper=ends)


def bearing_cage() -> Lives:
    """Bearing cages: 6 failures, 1697 still running; hours."""
    rows = slow.rows("bearing_cage.csv")
    counts = [int(row["count"]) for row in rows]
    ages = np.repeat([float(row["hours"]) for row in rows], counts)
    failed = np.repeat([row["event"] == "Failed" for row in rows], counts)
    return lives_of_one_sample(lower=ages, upper=np.where(failed, ages, INF))


def shock_absorber() -> Lives:
    """Shock absorbers, both failure modes as one; kilometres."""
    rows = slow.rows("shock_absorber.csv")
    ages = [float(row["kilometres"]) for row in rows]
    ends = [float(row["kilometres"]) if row["event"] == "Failure" else INF for row in rows]
    return lives_of_one_sample(lower=ages, upper=ends)


def ball_bearings() -> Lives:
    """Ball bearings, all failed; million revolutions."""
    ages = [float(row["megacycles"]) for row in slow.rows("lz_bearing.csv")]
    return lives_of_one_sample(lower=ages, upper=ages)


def heat_exchanger() -> Lives:
    """Tubes of three plants, cracked before, between or not by yearly inspections; years."""
    lower: list[float] = []
    upper: list[float] = []
    for row in slow.rows("heat_exchanger.csv"):
        lower += int(row["count"]) * [0.0 if row["event"] == "Left" else float(row["lower"])]
        upper += int(row["count"]) * [INF if row["event"] == "Right" else float(row["upper"])]
    return lives_of_one_sample(lower=lower, upper=upper)


def channing_house(*genders: str) -> Lives:
    """Residents seen from entry to death or leaving, who didn't leave on the day they came; years."""
    rows = [row for row in slow.rows("channing_house.csv") if row["gender"] in genders]
    rows = [row for row in rows if float(row["age"]) > float(row["ageentry"])]
    ages = [float(row["age"]) / 12.0 for row in rows]
    return lives_of_one_sample(
        entry=[float(row["ageentry"]) / 12.0 for row in rows],
        lower=ages,
        upper=[age if row["death"] == "1" else INF for age, row in zip(ages, rows, strict=True)],
    )


def all_residents() -> Lives:
    """Men and women together."""
    return channing_house("1", "2")


def new_at_entry() -> Lives:
    """Channing House as if everybody had been watched from birth: the mistake that delayed entry prevents."""
    lives = all_residents()
    return replace(lives, entry=np.zeros(len(lives)))


def valve_seats() -> Lives:
    """41 engines, one seat life from replacement to replacement; days."""
    lower: list[float] = []
    upper: list[float] = []
    since: dict[str, float] = {}
    for row in sorted(slow.rows("valve_seat_nelson1995.csv"), key=lambda row: (row["id"], float(row["time"]))):
        life = float(row["time"]) - since.get(row["id"], 0.0)
        since[row["id"]] = float(row["time"])
        lower.append(life)
        upper.append(max(life, 1.0) if row["status"] == "1" else INF)
    return lives_of_one_sample(lower=lower, upper=upper)

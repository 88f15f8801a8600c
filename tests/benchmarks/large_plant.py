"""An invented plant of any size: 50 service classes, 100 designs, 200 kits, four sites, ten years of rebuilds.

`python -m tests.benchmarks.large_plant FOLDER --valves 100000` writes the files that `valve-kits import` reads; the
same size gives the same bytes. Everything is made up: codes, lives, prices. Twenty classes are kept correctively,
twenty opportunistically at their site's turnarounds to come, ten by fixed intervals, which the records show, too; of
the valves older than the records one in five doesn't say when it was last renewed. Every site puts one valve in fifty
into service on one day of the next year, and takes one in fifty out on another.
"""

import argparse
import csv
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np

AS_OF = date(2025, 6, 30)
RECORDS_BEGIN = date(2015, 7, 1)
RECORD = (AS_OF - RECORDS_BEGIN).days
CLASSES, DESIGNS_PER_CLASS, SITES, AREAS_PER_SITE = 50, 2, 4, 5
OPPORTUNISTIC, PREDETERMINED = range(20, 40), range(40, 50)
ITEMS = ("packing", "trim")
UNKNOWN, TO_COME, TAKEN_OUT = 0.2, 0.02, 0.02
Row = Sequence[str | int | float]


def _scales(service_class: int) -> tuple[float, float]:
    """Typical lives of packing and trim in days."""
    return 1500.0 + 60.0 * service_class, 2600.0 + 90.0 * service_class


def _designs(service_class: int) -> list[str]:
    return [f"D{service_class:02}-{number}" for number in range(DESIGNS_PER_CLASS)]


def _policies() -> Iterator[Row]:
    """Give every class its maintenance policy."""
    for number in range(CLASSES):
        for item, scale in zip(ITEMS, _scales(number), strict=True):
            if number in OPPORTUNISTIC:
                yield f"class {number:02}", item, "opportunistic", round(0.5 * scale)
            elif number in PREDETERMINED:
                yield f"class {number:02}", item, "predetermined", round(0.7 * scale)
            else:
                yield f"class {number:02}", item, "corrective", ""


def _kits() -> Iterator[Row]:
    """List a packing and a trim kit of every design."""
    for number in range(CLASSES):
        for design in _designs(number):
            lead_time = 30 + 15 * (number % 6)
            yield f"P-{design}", "packing", "180.00", lead_time, lead_time // 4
            yield f"T-{design}", "packing|trim", "1450.00", 2 * lead_time, lead_time // 2


def _design_kits() -> Iterator[Row]:
    for number in range(CLASSES):
        for design in _designs(number):
            yield design, "packing", f"P-{design}", 1
            yield design, "trim", f"T-{design}", 1


def _turnarounds() -> Iterator[Row]:
    """Stop every site twice within the next two years."""
    for site in range(SITES):
        areas = "|".join(f"area {site}{number}" for number in range(AREAS_PER_SITE))
        for number in range(2):
            begins = AS_OF + timedelta(80 + 45 * site + 330 * number)
            yield f"TA{site}{number}", begins.isoformat(), (begins + timedelta(20)).isoformat(), areas


def _lives(rng: np.random.Generator, service_class: int) -> list[tuple[float, str]]:
    """Draw how long a packing and a trim last, and why they are renewed then."""
    drawn = [scale * float(rng.weibull(2.2)) for scale in _scales(service_class)]
    longest = [0.7 * scale if service_class in PREDETERMINED else np.inf for scale in _scales(service_class)]
    return [
        (min(days, most), "failure" if days < most else "planned") for days, most in zip(drawn, longest, strict=True)
    ]


def _rebuilds(rng: np.random.Generator, begins: float, service_class: int) -> Iterator[tuple[int, str, str]]:
    """Play one valve from its first day to the end of the records: days, reasons and what was renewed."""
    due = [(begins + days, reason) for days, reason in _lives(rng, service_class)]
    while min(due)[0] < RECORD:
        item = due.index(min(due))
        day, reason = due[item]
        if day > 0.0:
            yield int(np.ceil(day)), reason, "|".join(ITEMS[: item + 1])
        # the trim's kit renews the packing too
        fresh = [(day + days, why) for days, why in _lives(rng, service_class)]
        due = [*fresh[: item + 1], *due[item + 1 :]]


def _day(number: float) -> str:
    return (RECORDS_BEGIN + timedelta(int(number))).isoformat()


def _valve(rng: np.random.Generator, number: int) -> tuple[Row, list[Row]]:
    """Make up one valve and its events."""
    service_class = number % CLASSES
    design = _designs(service_class)[int(rng.integers(DESIGNS_PER_CLASS))]
    site = int(rng.integers(SITES))
    area = f"area {site}{int(rng.integers(AREAS_PER_SITE))}"
    chance, begins = float(rng.uniform()), float(rng.uniform(-3000.0, RECORD - 400.0))
    to_come = chance > 1.0 - TO_COME
    installed = RECORD + 100 + 60 * site if to_come else int(begins)
    removed = _day(RECORD + 200 + 90 * site) if chance < TAKEN_OUT else ""
    known = _day(begins) if begins < 0.0 and rng.uniform() > UNKNOWN else ""
    tag = f"FV-{number:06}"
    rebuilds = [] if to_come else list(_rebuilds(rng, begins, service_class))
    valve = (tag, design, f"class {service_class:02}", area, _day(installed), removed, known)
    done = [one for one, after in pairwise([*rebuilds, (0, "", "")]) if one[0] != after[0]]
    return valve, [(f"W{number}-{day}", tag, _day(day), "rebuild", reason, renewed) for day, reason, renewed in done]


def _write(folder: Path, name: str, header: str, rows: Iterable[Row]) -> None:
    with (folder / f"{name}.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(header.split())
        writer.writerows(rows)


def _stock(rng: np.random.Generator, valves: int) -> Iterator[Row]:
    """Every site keeps every kit."""
    for site in range(SITES):
        for kit, *_ in _kits():
            yield f"store {site}", kit, int(rng.integers(0, 3 + valves // 4000)), AS_OF.isoformat()


def write_large_plant(folder: Path, *, valves: int) -> int:
    """Write the files of an invented plant.

    Parameters
    ----------
    folder : Path
        An empty one.
    valves : int
        How many.

    Returns
    -------
    int
        How many events they had.
    """
    rng = np.random.default_rng(valves)
    made = [_valve(rng, number) for number in range(valves)]
    events = [event for _, of_valve in made for event in of_valve]
    areas = [
        (f"area {site}{number}", RECORDS_BEGIN.isoformat(), f"store {site}")
        for site in range(SITES)
        for number in range(AREAS_PER_SITE)
    ]
    _write(
        folder,
        "storerooms",
        "code review_period_days",
        ((f"store {site}", 7 + 7 * (site % 2)) for site in range(SITES)),
    )
    _write(folder, "areas", "code records_begin_on storeroom", areas)
    _write(folder, "service_classes", "code", ((f"class {number:02}",) for number in range(CLASSES)))
    _write(folder, "maintainable_items", "code", ((item,) for item in ITEMS))
    _write(folder, "policies", "service_class maintainable_item policy interval_days", _policies())
    _write(folder, "designs", "code", ((design,) for number in range(CLASSES) for design in _designs(number)))
    _write(folder, "kits", "code renews unit_cost lead_time_days lead_time_sd_days", _kits())
    _write(folder, "design_kits", "design maintainable_item kit qty", _design_kits())
    _write(
        folder,
        "valves",
        "tag design service_class area installed_on removed_on last_renewed_on",
        (valve for valve, _ in made),
    )
    _write(folder, "events", "ref tag done_on action reason renewed", events)
    _write(folder, "stock", "storeroom kit on_hand counted_on", _stock(rng, valves))
    _write(folder, "turnarounds", "code starts_on ends_on areas", _turnarounds())
    return len(events)


def main() -> None:
    """Write a plant into a folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--valves", type=int, default=100_000)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    print(f"{asked.valves} invented valves, {write_large_plant(asked.folder, valves=asked.valves)} events")


if __name__ == "__main__":
    main()

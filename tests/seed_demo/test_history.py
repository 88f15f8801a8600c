"""The history reads like a plant's: rates, policies, shutdowns and services as promised."""

from collections import Counter
from datetime import date
from itertools import pairwise
from statistics import median

from tests.seed_demo.conftest import Plant

AS_OF = date(2026, 6, 30)


def _days_between(first: str, second: str) -> int:
    return (date.fromisoformat(second) - date.fromisoformat(first)).days


def test_dates_of_an_event_stand_in_order(plant: Plant) -> None:
    for event in plant.events:
        assert (event["found_on"] or event["done_on"]) <= event["done_on"] <= str(AS_OF)
        assert event["last_ok_on"] <= (event["found_on"] or event["done_on"])
        if event["found_on"]:
            assert _days_between(event["found_on"], event["done_on"]) <= 40


def test_file_is_sorted_by_the_day_things_were_done(plant: Plant) -> None:
    days = [event["done_on"] for event in plant.events]
    assert days == sorted(days)


def test_valves_are_rebuilt_as_often_as_a_plant_would_believe(plant: Plant) -> None:
    watched_days = 0
    for tag, valve in plant.valves.items():
        begin = max(str(plant.begin(tag) or "2014-09-01"), valve["installed_on"])
        watched_days += _days_between(begin, valve["removed_on"] or str(AS_OF))
    rebuilds = sum(event["action"] in {"rebuild", "exchange"} for event in plant.events)
    assert 0.15 < rebuilds / (watched_days / 365.25) < 0.5


def test_records_cover_twelve_years_without_a_silent_one(plant: Plant) -> None:
    per_year = Counter(event["done_on"][:4] for event in plant.events)
    assert min(per_year[str(year)] for year in range(2015, 2026)) > 150


def test_the_small_class_has_almost_no_failures(plant: Plant) -> None:
    cold = {tag for tag, valve in plant.valves.items() if valve["service_class"] == "COLD-NH3"}
    failures = [e for e in plant.events if e["tag"].upper() in cold and e["reason"] in {"failure", "condition"}]
    assert len(failures) <= 1


def test_letdown_trim_lasts_about_a_year_and_clean_trim_many(plant: Plant) -> None:
    gaps: dict[str, list[int]] = {"BFW-LETDOWN": [], "CLEAN-WATER": []}
    for tag, valve in plant.valves.items():
        trims = [event["done_on"] for event in plant.rebuilds(tag) if "trim" in plant.renewed(event)]
        if valve["service_class"] in gaps:
            gaps[valve["service_class"]] += [_days_between(*pair) for pair in pairwise(trims)]
    assert 200 < median(gaps["BFW-LETDOWN"]) < 450
    assert median(gaps["CLEAN-WATER"]) > 900


def test_predetermined_renewals_come_when_their_interval_is_over(plant: Plant) -> None:
    intervals = {("HP-STEAM", "packing"): 1461, ("SYNGAS", "actuator"): 2192}
    found: Counter[bool] = Counter()
    for tag, valve in plant.valves.items():
        for item in ("packing", "actuator"):
            interval = intervals.get((valve["service_class"], item))
            renewals = [event for event in plant.rebuilds(tag) if item in plant.renewed(event)]
            for last, event in pairwise(renewals):
                on_run = event["reason"] == "planned" and not event["turnaround"]
                if interval and on_run and plant.renewed(event) == {item} and not event["note"].startswith("second"):
                    gap = _days_between(last["done_on"], event["done_on"])
                    found[gap >= interval and gap <= interval + 60] += 1
    assert found[True] > 20
    assert found[True] > 0.8 * found.total()


def test_shutdown_work_falls_into_the_shutdown_of_its_area(plant: Plant) -> None:
    letters = {"AMMONIA": "A", "CO2": "B", "UREA": "C", "UTIL": "D", "TANKS": "E"}
    months = {"A": {9}, "B": {9}, "C": {4}, "D": {10}, "E": {6}}
    coded = [event for event in plant.events if event["turnaround"]]
    for event in coded:
        kind, year, letter = event["turnaround"].split("-")
        assert kind == "TA"
        assert letter == letters[plant.valves[event["tag"].upper()]["area"]]
        assert event["done_on"][:4] == year
        assert date.fromisoformat(event["done_on"]).month in months[letter]
    assert sum(event["action"] == "rebuild" and event["reason"] == "planned" for event in coded) > 200


def test_work_of_a_shutdown_is_done_within_its_days(plant: Plant) -> None:
    """Work of a shutdown is done within its days; only shutdowns older than the records are just named."""
    described = {row["code"]: row for row in plant.tables["turnarounds"]}
    for event in plant.events:
        if event["turnaround"] in described:
            shutdown = described[event["turnaround"]]
            assert shutdown["starts_on"] <= event["done_on"] <= shutdown["ends_on"]
        elif event["turnaround"]:
            assert event["done_on"] < "2015"


def test_opportunistic_trim_is_renewed_in_shutdowns(plant: Plant) -> None:
    listed = {row["service_class"] for row in plant.tables["policies"] if row["policy"] == "opportunistic"}
    for service_class in listed:
        renewed = [
            event
            for event in plant.events
            if plant.valves[event["tag"].upper()]["service_class"] == service_class
            and event["reason"] == "planned"
            and event["turnaround"]
            and "trim" in plant.renewed(event)
        ]
        assert len(renewed) >= 10, service_class


def test_technicians_fill_in_about_as_much_as_promised(plant: Plant) -> None:
    rebuilds = [event for event in plant.events if event["action"] == "rebuild"]
    promised = {"as_found": 0.6, "renewed": 0.4, "kits_used": 0.7, "note": 0.6, "cost": 0.65}
    for column, share in promised.items():
        filled = sum(bool(event[column]) for event in rebuilds) / len(rebuilds)
        assert abs(filled - share) < 0.06, column


def test_inspections_find_items_ok_or_worn(plant: Plant) -> None:
    found: Counter[str] = Counter()
    for event in plant.events:
        if event["action"] == "inspect":
            found.update(plant.pairs(event["as_found"]).values())
    assert found.keys() == {"ok", "worn"}
    assert found["ok"] > 10 * found["worn"] > 100


def test_found_worn_in_an_inspection_is_mended_on_condition(plant: Plant) -> None:
    inspected = {(e["tag"].upper(), e["done_on"]) for e in plant.events if e["action"] == "inspect"}
    mended = [e for e in plant.events if e["reason"] == "condition" and e["found_on"] < e["done_on"]]
    assert sum((e["tag"].upper(), e["found_on"]) in inspected for e in mended) > 20


def test_serial_in_the_register_is_the_last_one_fitted(plant: Plant) -> None:
    fitted = {e["tag"].upper(): e["serial_fitted"] for e in plant.events if e["serial_fitted"]}
    assert len(fitted) >= 10
    assert all(plant.valves[tag]["serial"] == serial for tag, serial in fitted.items())


def test_chains_of_service_changes_end_where_the_register_says_but_one(plant: Plant) -> None:
    changes: dict[str, list[str]] = {}
    for event in plant.events:
        assert (event["action"] == "reclassify") == bool(event["service_class_from"])
        if event["action"] == "reclassify":
            changes.setdefault(event["tag"].upper(), []).append(event["service_class_from"])
    broken = [
        tag
        for tag, left in changes.items()
        if any(old == new for old, new in pairwise([*left, plant.valves[tag]["service_class"]]))
    ]
    assert len(changes) >= 6
    assert len(broken) == 1
    assert any(len(left) == 2 for left in changes.values())

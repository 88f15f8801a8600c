"""Each kind of mess is there, found by reading the files as a stranger would."""

from collections import Counter
from datetime import date, timedelta
from itertools import pairwise

from tests.seed_demo.conftest import Plant


def _day(text: str) -> date:
    return date.fromisoformat(text)


def test_work_order_numbers_are_missing(plant: Plant) -> None:
    assert 0.01 < sum(not event["ref"] for event in plant.events) / len(plant.events) < 0.06


def test_work_orders_look_entered_twice(plant: Plant) -> None:
    twice = 0
    for tag in plant.valves:
        for first, second in pairwise(plant.rebuilds(tag)):
            near = 0 < (_day(second["done_on"]) - _day(first["done_on"])).days <= 7
            same = all(first[c] == second[c] for c in ("reason", "renewed", "kits_used", "as_found", "cost"))
            twice += near and same and first["ref"] != second["ref"]
    assert 2 <= twice <= 12


def test_rebuilds_are_dated_before_installation(plant: Plant) -> None:
    early = [
        event
        for event in plant.events
        if event["action"] == "rebuild" and event["done_on"] < plant.valves[event["tag"].upper()]["installed_on"]
    ]
    assert 2 <= len(early) <= 5


def test_events_follow_removal(plant: Plant) -> None:
    late = [
        event
        for event in plant.events
        if (removed := plant.valves[event["tag"].upper()]["removed_on"]) and event["done_on"] > removed
    ]
    assert 2 <= len(late) <= 5


def test_kits_do_not_fit_the_design(plant: Plant) -> None:
    misfits = 0
    for event in plant.events:
        fitting = plant.fitting_kits(plant.valves[event["tag"].upper()]["design"])
        misfits += bool(fitting and plant.pairs(event["kits_used"]).keys() - fitting)
    assert 2 <= misfits <= 8


def test_failures_do_not_say_which_item(plant: Plant) -> None:
    unsaid = [
        event
        for event in plant.events
        if event["reason"] == "failure" and not event["as_found"] and len(plant.renewed(event)) > 1
    ]
    assert len(unsaid) >= 20


def test_scope_is_not_said_at_all(plant: Plant) -> None:
    unsaid = [
        event
        for event in plant.events
        if event["action"] == "rebuild" and not event["renewed"] and not event["kits_used"]
    ]
    assert 2 <= len(unsaid) < 0.08 * len(plant.events)


def test_valves_are_renewed_twice_on_one_day(plant: Plant) -> None:
    days = Counter((e["tag"].upper(), e["done_on"]) for e in plant.events if e["action"] == "rebuild")
    assert sum(count > 1 for count in days.values()) >= 2


def test_some_events_are_much_older_than_the_records(plant: Plant) -> None:
    old = [
        event
        for event in plant.events
        if (begin := plant.begin(event["tag"])) and _day(event["done_on"]) < begin - timedelta(700)
    ]
    assert 2 <= len(old) <= 15
    between = [e for e in plant.events if (begin := plant.begin(e["tag"])) and _day(e["done_on"]) < begin]
    assert len(between) <= len(old) + 5


def test_tags_are_written_in_another_case(plant: Plant) -> None:
    assert sum(event["tag"] != event["tag"].upper() for event in plant.events) >= 2


def test_rebuilds_are_repeated_within_three_months(plant: Plant) -> None:
    repeats = 0
    for tag in plant.valves:
        for first, second in pairwise(plant.rebuilds(tag)):
            days = (_day(second["done_on"]) - _day(first["done_on"])).days
            shared = plant.renewed(first) & plant.renewed(second)
            repeats += 7 < days < 90 and second["reason"] == "failure" and bool(shared)
    assert repeats >= 5

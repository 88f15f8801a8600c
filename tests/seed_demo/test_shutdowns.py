"""What the shutdowns to come need: dates, what a rebuild takes, what was decided beforehand."""

from collections import Counter
from datetime import date

from tests.seed_demo.conftest import Plant

AS_OF = "2026-06-30"


def _to_come(plant: Plant) -> list[dict[str, str]]:
    return [row for row in plant.tables["turnarounds"] if row["starts_on"] > AS_OF]


def test_every_area_has_two_shutdowns_to_come(plant: Plant) -> None:
    areas = Counter(row["areas"] for row in _to_come(plant))
    assert areas == dict.fromkeys([row["code"] for row in plant.tables["areas"]], 2)
    for row in plant.tables["turnarounds"]:
        frozen = date.fromisoformat(row["starts_on"]) - date.fromisoformat(row["scope_freeze_on"])
        assert frozen.days == 120


def test_every_described_design_says_what_renewing_each_item_takes(plant: Plant) -> None:
    rows = plant.tables["rebuild_costs"]
    assert len(rows) == len(plant.tables["designs"]) * len(plant.tables["maintainable_items"])
    kits = {row["code"]: float(row["unit_cost"]) for row in plant.tables["kits"]}
    fits = {(row["design"], row["maintainable_item"]): row["kit"] for row in plant.tables["design_kits"]}
    for row in rows:
        kit_cost = kits[fits[row["design"], row["maintainable_item"]]]
        assert 2 < float(row["planned_hours"]) < 40
        assert 1 < float(row["opening_hours"]) < 12
        assert 0 < float(row["planned_cost"]) < float(row["unplanned_cost"])
        ratio = (float(row["unplanned_cost"]) + kit_cost) / (float(row["planned_cost"]) + kit_cost)
        assert 1.1 < ratio < 8.0, "a failure costs more than a planned renewal, not beyond belief"


def test_hours_planned_are_of_the_size_of_those_written_down(plant: Plant) -> None:
    written = sorted(float(e["labour_hours"]) for e in plant.events if e["labour_hours"] and e["renewed"] == "packing")
    planned = [float(r["planned_hours"]) for r in plant.tables["rebuild_costs"] if r["maintainable_item"] == "packing"]
    assert min(planned) <= written[len(written) // 2] <= max(planned)


def test_decisions_are_about_valves_of_the_next_shutdown_of_their_area(plant: Plant) -> None:
    area_of = {row["code"]: row["areas"] for row in plant.tables["turnarounds"]}
    first: dict[str, str] = {}
    for row in sorted(_to_come(plant), key=lambda one: one["starts_on"]):
        first.setdefault(row["areas"], row["code"])
    for line in plant.tables["scope_lines"]:
        valve = plant.valves[line["tag"].upper()]
        assert valve["area"] == area_of[line["turnaround"]]
        assert line["turnaround"] in first.values()
        assert not valve["removed_on"]
        assert valve["safety_related"] == "false" or line["decision"] == "must_open"
        assert line["reason"]
        assert line["decided_by"]
    decided = Counter(line["turnaround"] for line in plant.tables["scope_lines"])
    assert decided.keys() == set(first.values())
    assert all(5 <= count <= 12 for count in decided.values())

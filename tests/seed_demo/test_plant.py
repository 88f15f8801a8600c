"""The register and the stores: sizes promised, and nothing named that isn't there but what should not be."""

from collections import Counter
from datetime import date
from statistics import mean

from tests.seed_demo.conftest import Plant

DESCRIBED_NOWHERE = {"design": {"DN065-C150-SPOOL"}, "service_class": {"BRINE"}}


def test_sizes(plant: Plant) -> None:
    sizes = {name: len(rows) for name, rows in plant.tables.items()}
    assert sizes["valves"] >= 420
    assert 6 <= sizes["service_classes"] <= 10
    assert 4 <= sizes["areas"] <= 6
    assert sizes["designs"] >= 12
    assert sizes["kits"] >= 30
    assert sizes["storerooms"] == 3
    assert sizes["maintainable_items"] == 3
    assert 2000 < sizes["events"] < 5000


def test_kits_renew_what_their_names_say(plant: Plant) -> None:
    renews = Counter(kit["renews"] for kit in plant.tables["kits"])
    assert renews.keys() == {"packing", "trim|packing", "actuator"}
    assert renews["packing"] >= 9
    assert renews["trim|packing"] >= 12
    assert renews["actuator"] >= 9


def test_kit_prices_and_lead_times_are_plausible(plant: Plant) -> None:
    cost = {"packing": (60, 400), "actuator": (150, 900), "trim|packing": (900, 12000)}
    lead = {"packing": (14, 45), "actuator": (30, 70), "trim|packing": (60, 280)}
    for kit in plant.tables["kits"]:
        low, high = cost[kit["renews"]]
        assert low <= float(kit["unit_cost"]) <= high
        low, high = lead[kit["renews"]]
        assert low <= int(kit["lead_time_days"]) <= high
        assert 0 < int(kit["lead_time_sd_days"]) < int(kit["lead_time_days"])
        assert int(kit["min_order_qty"]) >= 1
        assert int(kit["pack_qty"]) >= 1
        assert kit["superseded_by"] or date(2023, 6, 30) <= date.fromisoformat(kit["priced_on"])
    assert {kit["shelf_life_days"] == "" for kit in plant.tables["kits"]} == {True, False}


def test_one_kit_is_superseded_by_one_that_is_there(plant: Plant) -> None:
    (old,) = (kit for kit in plant.tables["kits"] if kit["superseded_by"])
    assert old["superseded_by"] in {kit["code"] for kit in plant.tables["kits"]}
    assert old["old_fits_new_need"] == "true"
    used_on = [event["done_on"] for event in plant.events if old["code"] in event["kits_used"]]
    assert len(used_on) >= 10
    assert max(used_on) < old["superseded_on"]
    assert [row["on_hand"] for row in plant.tables["stock"] if row["kit"] == old["code"]] != []


def test_every_design_takes_a_kit_for_every_item_and_some_are_shared(plant: Plant) -> None:
    rows = plant.tables["design_kits"]
    items = {item["code"] for item in plant.tables["maintainable_items"]}
    renews = {kit["code"]: kit["renews"].split("|") for kit in plant.tables["kits"]}
    for design in plant.tables["designs"]:
        assert {row["maintainable_item"] for row in rows if row["design"] == design["code"]} == items
    assert all(row["maintainable_item"] in renews[row["kit"]] for row in rows)
    designs_per_kit = Counter(row["kit"] for row in rows)
    for prefix in ("Q-PAC", "Q-ACT"):
        assert sum(count > 1 for kit, count in designs_per_kit.items() if kit.startswith(prefix)) >= 4
    assert {row["qty"] for row in rows} == {"1", "2"}


def test_whatever_a_row_names_is_described_but_for_one_design_and_one_class(plant: Plant) -> None:
    codes = {name: {row["code"] for row in rows} for name, rows in plant.tables.items() if "code" in rows[0]}
    sought = {
        "storeroom": codes["storerooms"],
        "design": codes["designs"],
        "service_class": codes["service_classes"],
        "service_class_from": codes["service_classes"],
        "area": codes["areas"],
        "kit": codes["kits"],
        "superseded_by": codes["kits"],
        "maintainable_item": codes["maintainable_items"],
    }
    for name, rows in plant.tables.items():
        for column in sought.keys() & rows[0].keys():
            missing = {row[column] for row in rows if row[column]} - sought[column]
            allowed = DESCRIBED_NOWHERE.get(column, set()) if name == "valves" else set()
            assert missing == allowed, (name, column)


def test_whatever_a_cell_of_several_names_is_described(plant: Plant) -> None:
    kits = {kit["code"] for kit in plant.tables["kits"]}
    items = {item["code"] for item in plant.tables["maintainable_items"]}
    for event in plant.events:
        assert event["tag"].upper() in plant.valves
        assert plant.pairs(event["kits_used"]).keys() <= kits
        assert plant.pairs(event["as_found"]).keys() <= items
        assert set(plant.pairs(event["as_found"]).values()) <= {"ok", "worn", "failed"}
        assert not event["renewed"] or set(event["renewed"].split("|")) <= items
        assert event["renewed"] == "" or "trim" not in event["renewed"] or "packing" in event["renewed"]


def test_undescribed_codes_stand_on_two_valves_each(plant: Plant) -> None:
    for column, codes in DESCRIBED_NOWHERE.items():
        for code in codes:
            assert sum(valve[column] == code for valve in plant.valves.values()) == 2


def test_service_classes_differ_much_in_size(plant: Plant) -> None:
    sizes = Counter(valve["service_class"] for valve in plant.valves.values())
    assert sizes["COLD-NH3"] == 8
    assert 125 <= sizes["CLEAN-WATER"] <= 150
    assert all(sizes[row["code"]] >= 8 for row in plant.tables["service_classes"])


def test_what_is_known_of_the_past_is_uneven(plant: Plant) -> None:
    valves = list(plant.valves.values())
    installed = [valve["installed_on"] for valve in valves if valve["installed_on"]]
    assert min(installed) >= "1998-01-01"
    assert max(installed) <= "2025-12-31"
    assert 5 <= sum(not valve["installed_on"] for valve in valves) <= 60
    stated = [valve["last_renewed_on"] for valve in valves if valve["last_renewed_on"]]
    assert sum(":" in cell for cell in stated) >= 20
    assert sum(":" not in cell for cell in stated) >= 20
    assert 3 <= sum(bool(valve["removed_on"]) for valve in valves) <= 20
    assert sum(day >= "2019-01-01" for day in installed) >= 15


def test_stated_renewals_are_before_the_records_and_after_installation(plant: Plant) -> None:
    for tag, valve in plant.valves.items():
        cell = valve["last_renewed_on"]
        for day in plant.pairs(cell).values() if ":" in cell else filter(None, [cell]):
            assert valve["installed_on"] <= day < str(plant.begin(tag) or "2014-09-01")


def test_areas_begin_their_records_differently(plant: Plant) -> None:
    begins = Counter(area["records_begin_on"] for area in plant.tables["areas"])
    assert begins == {"2014-07-01": 3, "2017-01-01": 1, "": 1}
    assert all("Quillmoor" in area["name"] for area in plant.tables["areas"])


def test_safety_valves_have_a_proof_test_date_and_the_others_none(plant: Plant) -> None:
    for valve in plant.valves.values():
        assert bool(valve["proof_test_due_on"]) == (valve["safety_related"] == "true")
    assert 5 <= sum(valve["safety_related"] == "true" for valve in plant.valves.values()) <= 50


def test_every_described_class_and_item_has_a_policy(plant: Plant) -> None:
    rows = plant.tables["policies"]
    assert len(rows) == len(plant.tables["service_classes"]) * len(plant.tables["maintainable_items"])
    assert all((row["policy"] == "corrective") == (row["interval_days"] == "") for row in rows)
    kinds = Counter(row["policy"] for row in rows)
    assert kinds["corrective"] > len(rows) / 2
    assert kinds["predetermined"] >= 2
    assert kinds["opportunistic"] >= 3


def test_stock_lies_only_where_a_valve_served_can_use_it(plant: Plant) -> None:
    storeroom = {area["code"]: area["storeroom"] for area in plant.tables["areas"]}
    usable = {
        (storeroom[valve["area"]], kit)
        for valve in plant.valves.values()
        for kit in plant.fitting_kits(valve["design"])
    }
    for name in ("stock", "stock_settings", "orders"):
        assert {(row["storeroom"], row["kit"]) for row in plant.tables[name]} <= usable, name


def test_stock_has_bare_overfull_and_uncounted_shelves(plant: Plant) -> None:
    level = {
        (row["storeroom"], row["kit"]): int(row["present_reorder_point"]) + int(row["present_order_quantity"])
        for row in plant.tables["stock_settings"]
    }
    on_hand = {(row["storeroom"], row["kit"]): int(row["on_hand"]) for row in plant.tables["stock"]}
    assert sum(qty == 0 for qty in on_hand.values()) >= 3
    assert sum(qty > 2 * level[shelf] for shelf, qty in on_hand.items() if shelf in level) >= 2
    assert len(level.keys() - on_hand.keys()) >= 2
    assert {row["floor_qty"] for row in plant.tables["stock_settings"]} == {"0", "1"}


def test_orders_arrive_late_more_often_than_early_and_some_are_open(plant: Plant) -> None:
    orders = plant.tables["orders"]
    late_days = [
        (date.fromisoformat(order["received_on"]) - date.fromisoformat(order["due_on"])).days
        for order in orders
        if order["received_on"]
    ]
    assert len(late_days) > 200
    assert mean(late_days) > 3
    assert sum(days > 30 for days in late_days) >= 5
    assert sum(days < 0 for days in late_days) >= 30
    still_due = [order["due_on"] for order in orders if not order["received_on"]]
    assert sum(day < "2026-06-30" for day in still_due) >= 2
    assert sum(day > "2027-07-01" for day in still_due) == 1


def test_orders_keep_packs_minimums_and_the_order_of_their_days(plant: Plant) -> None:
    kits = {kit["code"]: kit for kit in plant.tables["kits"]}
    for order in plant.tables["orders"]:
        kit = kits[order["kit"]]
        assert int(order["qty"]) % int(kit["pack_qty"]) == 0
        assert int(order["qty"]) >= int(kit["min_order_qty"])
        assert order["ordered_on"] < order["due_on"]
        assert not order["received_on"] or order["ordered_on"] < order["received_on"]
        assert bool(order["received_on"]) == bool(order["received_qty"])
    assert {order["line"] for order in plant.tables["orders"]} >= {"1", "2"}


def test_issues_have_returns_slips_without_a_tag_and_kits_of_exchanges_weeks_later(plant: Plant) -> None:
    issues = plant.tables["issues"]
    assert len(issues) > 1000
    assert {int(issue["qty"]) < 0 for issue in issues} == {issue["tag"] == "" for issue in issues} == {True, False}
    taken = {(issue["tag"], issue["issued_on"]) for issue in issues if issue["tag"]}
    exchanges = [event for event in plant.events if event["action"] == "exchange" and event["done_on"] > "2019-01-01"]
    waits = [
        (date.fromisoformat(issued_on) - date.fromisoformat(event["done_on"])).days
        for event in exchanges
        for tag, issued_on in taken
        if tag == event["tag"]
    ]
    assert sum(21 <= days <= 180 for days in waits) >= 5

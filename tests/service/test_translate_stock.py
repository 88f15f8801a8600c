"""From stock records to questions: what counts, what is due when, which target, and what had to be assumed."""

from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from forecasting.demand import Demand
from forecasting.stock_positions import OpenOrder
from forecasting.stocking import Rule, decide
from service.schemas.records import (
    AreaRecord,
    DesignKitRecord,
    KitRecord,
    OrderRecord,
    ReservationRecord,
    StockRecord,
    StockSettingRecord,
    StoreroomRecord,
    ValveRecord,
)
from service.translate import Records, register_from_records
from service.translate_stock import AskedStock, Assumptions, stock_asked

AS_OF = date(2026, 3, 1)
ASSUMED = Assumptions()
KIT = KitRecord(
    code="K",
    unit_cost=Decimal("250.00"),
    lead_time_days=45,
    lead_time_sd_days=9.0,
    min_order_qty=4,
    pack_qty=2,
    shelf_life_days=1800,
)
VALVES = [
    ValveRecord(tag="FV-1", design="D", area="U100", consequence="tolerable"),
    ValveRecord(tag="FV-2", design="D", area="U100", consequence="stops"),
]


def asked(*, as_of: date = AS_OF, **changed: Any) -> dict[tuple[str, str], AskedStock]:
    """Questions of a plant of two valves that take kit K from storeroom MAIN."""
    files: dict[str, Any] = {
        "areas": [AreaRecord(code="U100", records_begin_on=date(2015, 1, 1), storeroom="MAIN")],
        "kits": [KIT],
        "design_kits": [DesignKitRecord(design="D", maintainable_item="trim", kit="K")],
        "valves": VALVES,
        "storerooms": [StoreroomRecord(code="MAIN", review_period_days=14)],
        "stock": [StockRecord(storeroom="MAIN", kit="K", on_hand=3)],
    }
    records = Records(**(files | changed))
    questions = stock_asked(records, register_from_records(records, as_of=as_of), as_of=as_of, assumed=ASSUMED)
    keys = [(one.question.storeroom, one.question.kit) for one in questions]
    assert keys == sorted(set(keys))
    return dict(zip(keys, questions, strict=True))


def of_kit(**changed: Any) -> AskedStock:
    return asked(**changed)["MAIN", "K"]


def order(**said: Any) -> OrderRecord:
    plain: dict[str, Any] = {"ref": "PO-1", "line": "1", "storeroom": "MAIN", "kit": "K", "qty": 5}
    return OrderRecord(**(plain | said))


def orders(*rows: OrderRecord, **changed: Any) -> tuple[OpenOrder, ...]:
    return of_kit(orders=list(rows), **changed).question.orders


def test_everything_stated_is_asked_with_nothing_assumed_but_costs() -> None:
    one = of_kit(stock_settings=[StockSettingRecord(storeroom="MAIN", kit="K", rule="fill_rate", target=0.97)])
    question = one.question
    assert question.valves == frozenset({"FV-1", "FV-2"})
    assert (question.lead_time, question.lead_time_spread, question.review_period) == (45.0, 9.0, 14.0)
    assert (question.rule, question.target, one.target_source) == (Rule.FILL, 0.97, "stock setting")
    assert (question.min_order, question.pack, question.shelf_life) == (4, 2, 1800.0)
    assert (question.holding_cost, question.order_cost) == (62.5, 60.0)
    assert (question.on_hand, question.floor, one.floor_qty, one.present_reorder_point) == (3, 0, 0, None)
    assert (one.unit_cost, one.successor, one.warnings) == (Decimal("250.00"), None, ())


def test_what_is_not_said_is_assumed_and_named() -> None:
    """A kit only named: five things assumed, each in words."""
    one = of_kit(kits=[], storerooms=[], stock=[])
    question = one.question
    assert (question.lead_time, question.lead_time_spread, question.review_period) == (60.0, 0.0, 7.0)
    assert (question.min_order, question.pack, question.shelf_life) == (1, 1, np.inf)
    assert (question.holding_cost, question.on_hand) == (None, 0)
    assert one.warnings == (
        "lead time not stated: 60 days assumed",
        "spread of the lead time not stated: none assumed",
        "review period not stated: 7 days assumed",
        "no stock count: none on hand assumed",
        "price not known: the smallest order is proposed",
        "shelf life not known: an order may outlive it",
    )


def test_a_price_or_a_shelf_life_of_nothing_is_not_used_and_said() -> None:
    one = of_kit(kits=[replace(KIT, unit_cost=Decimal(0), shelf_life_days=0)])
    assert (one.question.holding_cost, one.question.shelf_life) == (None, np.inf)
    assert one.warnings == (
        "a price of 0 says nothing: the smallest order is proposed",
        "a shelf life of 0 days can't be: not used",
        "shelf life not known: an order may outlive it",
    )


@pytest.mark.parametrize(
    ("kit", "review", "times", "warning"),
    [
        ({"lead_time_days": 0}, 0, (1.0, 0.0, 0.0), "both 0: a lead time of 1 day used"),
        ({"lead_time_days": 0}, 14, (0.0, 0.0, 14.0), None),
        ({"lead_time_days": 6000, "lead_time_sd_days": 9.0}, 14, (1825.0, 9.0, 14.0), "beyond 1825 days: 1825 used"),
        ({"lead_time_days": 45, "lead_time_sd_days": 9.0}, 90000, (45.0, 9.0, 1825.0), "beyond 1825 days: 1825 used"),
        (
            {"lead_time_days": 45, "lead_time_sd_days": 450.0},
            14,
            (45.0, 45.0, 14.0),
            "larger than itself: 45 days used",
        ),
    ],
    ids=str,
)
def test_times_that_can_not_be_computed_are_cut_and_said(
    kit: dict[str, Any], review: int, times: tuple[float, float, float], warning: str | None
) -> None:
    """One typing error in one row must not stop the run."""
    one = of_kit(
        kits=[KitRecord(code="K", unit_cost=Decimal(1), shelf_life_days=900, **({"lead_time_sd_days": 0.0} | kit))],
        storerooms=[StoreroomRecord(code="MAIN", review_period_days=review)],
    )
    question = one.question
    assert (question.lead_time, question.lead_time_spread, question.review_period) == times
    assert [said.endswith(warning or "") for said in one.warnings] == ([] if warning is None else [True])
    assert question.cover.days.min() > 0


@pytest.mark.parametrize(
    ("consequences", "worst", "target"),
    [
        (("tolerable", "stops"), "stops", 0.98),
        (("tolerable", "curtails"), "curtails", 0.95),
        (("tolerable", "tolerable"), "tolerable", 0.90),
        ((None, None), "curtails", 0.95),
        ((None, "tolerable"), "tolerable", 0.90),
    ],
    ids=str,
)
def test_the_target_is_that_of_the_worst_consequence_served(
    consequences: tuple[Any, Any], worst: str, target: float
) -> None:
    valves = [
        ValveRecord(tag=f"FV-{number}", design="D", area="U100", consequence=said)
        for number, said in enumerate(consequences)
    ]
    one = of_kit(valves=valves)
    assert (one.consequence, one.question.rule, one.question.target) == (worst, Rule.CYCLE, target)
    assert one.target_source == f"assumed for consequence {worst}"


def test_a_removed_valve_s_consequence_does_not_count() -> None:
    gone = ValveRecord(tag="FV-2", design="D", area="U100", consequence="stops", removed_on=date(2025, 1, 1))
    assert of_kit(valves=[VALVES[0], gone]).consequence == "tolerable"


@pytest.mark.parametrize(
    ("setting", "rule", "target", "source"),
    [
        ({"target": 0.99}, Rule.CYCLE, 0.99, "stock setting"),
        ({"rule": "cycle_service_level", "target": 0.91}, Rule.CYCLE, 0.91, "stock setting"),
        (
            {"rule": "fill_rate"},
            Rule.CYCLE,
            0.98,
            "assumed for consequence stops (the stock setting names the rule fill_rate without a target)",
        ),
        (
            {"rule": "least_cost", "target": 0.5},
            Rule.CYCLE,
            0.98,
            "assumed for consequence stops (the stock setting names the rule least_cost, which needs the kit's price "
            "and the cost of a failure)",
        ),
        ({"floor_qty": 2}, Rule.CYCLE, 0.98, "assumed for consequence stops"),
    ],
    ids=str,
)
def test_a_stock_setting_goes_as_far_as_it_says(
    setting: dict[str, Any], rule: Rule, target: float, source: str
) -> None:
    one = of_kit(stock_settings=[StockSettingRecord(storeroom="MAIN", kit="K", present_reorder_point=7, **setting)])
    assert (one.question.rule, one.question.target, one.target_source) == (rule, target, source)
    assert one.question.floor == one.floor_qty == setting.get("floor_qty", 0)
    assert one.present_reorder_point == 7


@pytest.mark.parametrize(
    ("said", "rest"),
    [
        ({}, 5),
        ({"received_on": date(2026, 2, 1)}, 0),
        ({"received_on": date(2026, 2, 1), "received_qty": 3}, 2),
        ({"received_on": date(2026, 2, 1), "received_qty": 9}, 0),
        ({"received_on": date(2026, 2, 1), "received_qty": 0}, 5),
        ({"received_on": date(2026, 3, 2)}, 5),
        ({"received_on": date(2026, 3, 2), "received_qty": 3}, 5),
        ({"received_on": date(2026, 3, 1)}, 0),
        ({"received_qty": 4}, 1),
        ({"ordered_on": date(2026, 3, 2)}, 0),
        ({"ordered_on": date(2026, 3, 1)}, 5),
    ],
    ids=str,
)
def test_what_is_still_to_come_of_an_order(said: dict[str, Any], rest: int) -> None:
    """Received up to the cut-off, in part or over; ordered after it doesn't exist yet."""
    assert sum(one.qty for one in orders(order(due_on=date(2026, 4, 1), **said))) == rest


@pytest.mark.parametrize(
    ("said", "due"),
    [
        ({"due_on": date(2026, 3, 31)}, 30.0),
        ({"due_on": date(2026, 2, 1)}, -28.0),
        ({"due_on": date(2026, 3, 31), "ordered_on": date(2026, 1, 1)}, 30.0),
        ({"ordered_on": date(2026, 2, 1)}, 17.0),
        ({"ordered_on": date(2025, 2, 1)}, -348.0),
    ],
    ids=str,
)
def test_an_order_is_due_as_stated_or_a_lead_time_after_it_was_placed(said: dict[str, Any], due: float) -> None:
    assert orders(order(**said)) == (OpenOrder(due=due, qty=5),)


def test_an_order_of_a_kit_nobody_described_is_due_after_the_assumed_lead_time() -> None:
    assert orders(order(ordered_on=date(2026, 2, 1)), kits=[]) == (OpenOrder(due=32.0, qty=5),)


def test_an_order_without_any_date_does_not_count_and_is_said() -> None:
    one = of_kit(orders=[order()])
    (late,) = one.question.orders
    assert late.qty == 5
    assert late.due > one.question.protection_interval
    assert one.warnings == ("5 on order without any date: not counted",)


def superseding(*, fits: bool | None) -> dict[str, Any]:
    """Kit OLD is superseded by K; there is stock of both and an order of the old one."""
    return {
        "kits": [KIT, KitRecord(code="OLD", superseded_by="K", old_fits_new_need=fits)],
        "stock": [StockRecord(storeroom="MAIN", kit=kit, on_hand=number) for kit, number in (("K", 3), ("OLD", 2))],
        "orders": [order(kit="OLD", due_on=date(2026, 3, 11), qty=1)],
        "design_kits": [DesignKitRecord(design="D", maintainable_item="trim", kit="OLD")],
    }


def test_old_stock_counts_for_its_successor_where_it_fits() -> None:
    questions = asked(**superseding(fits=True))
    assert set(questions) == {("MAIN", "K")}
    question = questions["MAIN", "K"].question
    assert (question.on_hand, question.orders) == (5, (OpenOrder(due=10.0, qty=1),))
    assert question.valves == frozenset({"FV-1", "FV-2"})


def test_the_old_kit_is_used_up_before_its_successor_is_ordered() -> None:
    """While the old one lasts nothing is proposed; then the successor is, and never the old one."""
    needed = Demand(probabilities=np.array([0.2, 0.3, 0.3, 0.2]), unplanned=1.5, planned=0.0, turnaround=0.0)
    proposed = []
    for left in (6, 3, 0):
        files = superseding(fits=True) | {"orders": []}
        files["stock"] = [StockRecord(storeroom="MAIN", kit="OLD", on_hand=left)]
        questions = asked(**files)
        assert set(questions) == {("MAIN", "K")}
        one = questions["MAIN", "K"]
        assert (one.question.on_hand, one.old_stock) == (left, {"OLD": left} if left else {})
        proposed.append(decide(one.question, lambda _: needed).proposed)
    assert proposed[0] == 0 < proposed[-1]
    assert proposed == sorted(proposed)


@pytest.mark.parametrize("fits", [False, None])
def test_old_stock_that_does_not_fit_stands_by_itself(fits: bool | None) -> None:
    questions = asked(**superseding(fits=fits))
    new, old = questions["MAIN", "K"], questions["MAIN", "OLD"]
    assert (new.question.on_hand, new.question.orders, new.successor) == (3, (), None)
    assert (old.question.on_hand, old.successor, old.question.valves) == (2, "K", frozenset())
    assert old.question.orders == (OpenOrder(due=10.0, qty=1),)


def test_every_kit_taken_held_ordered_or_set_is_asked_about() -> None:
    """And one of which nothing is left, ordered or set isn't."""
    questions = asked(
        stock=[
            StockRecord(storeroom="MAIN", kit="HELD", on_hand=1),
            StockRecord(storeroom="MAIN", kit="GONE", on_hand=0),
        ],
        orders=[order(kit="ORDERED", due_on=AS_OF)],
        stock_settings=[StockSettingRecord(storeroom="FAR", kit="SET", floor_qty=1)],
    )
    assert set(questions) == {("MAIN", "K"), ("MAIN", "HELD"), ("MAIN", "ORDERED"), ("FAR", "SET")}
    assert questions["MAIN", "HELD"].question.valves == frozenset()
    assert questions["FAR", "SET"].question.floor == 1


def test_a_count_of_none_is_a_count() -> None:
    one = of_kit(stock=[StockRecord(storeroom="MAIN", kit="K", on_hand=0)])
    assert one.warnings == ()


def test_storerooms_are_asked_apart() -> None:
    """The same kit in two storerooms, each for the valves of its own area."""
    areas = [
        AreaRecord(code=code, records_begin_on=date(2015, 1, 1), storeroom=room)
        for code, room in (("U100", "MAIN"), ("U200", "EAST"))
    ]
    valves = [VALVES[0], ValveRecord(tag="FV-2", design="D", area="U200")]
    questions = asked(areas=areas, valves=valves)
    assert questions["MAIN", "K"].question.valves == frozenset({"FV-1"})
    assert questions["EAST", "K"].question.valves == frozenset({"FV-2"})
    assert questions["EAST", "K"].question.on_hand == 0


@pytest.mark.parametrize(
    ("said", "reserved"),
    [
        ({"storeroom": "MAIN"}, 2),
        ({"storeroom": "MAIN", "needed_on": date(2026, 4, 29)}, 2),
        ({"storeroom": "MAIN", "needed_on": date(2026, 4, 30)}, 0),
        ({"storeroom": "MAIN", "needed_on": date(2026, 1, 1)}, 2),
        ({"storeroom": "MAIN", "tag": "FV-1"}, 0),
        ({"storeroom": "MAIN", "tag": "SKID-7"}, 2),
        ({"storeroom": "MAIN", "turnaround": "TA-26"}, 0),
        ({}, 0),
    ],
    ids=str,
)
def test_a_reservation_counts_where_the_forecast_does_not_hold_its_need(said: dict[str, Any], reserved: int) -> None:
    """Needed within 59 days, and not for a valve that takes the kit, nor for a turnaround."""
    row = ReservationRecord(ref="R-1", kit="K", qty=2, **said)
    assert of_kit(reservations=[row]).question.reserved == reserved


def test_a_kit_that_is_reserved_alone_is_asked_about() -> None:
    row = ReservationRecord(ref="R-1", kit="OTHER", storeroom="MAIN", qty=2)
    assert asked(reservations=[row])["MAIN", "OTHER"].question.reserved == 2


@pytest.mark.parametrize(("days", "others", "counts"), [(60, [], True), (61, [], False), (600, VALVES, True)], ids=str)
def test_a_valve_to_come_counts_from_when_its_kit_has_to_be_ordered(
    days: int, others: list[ValveRecord], *, counts: bool
) -> None:
    """45 days of lead time and 14 of review; where others take the kit it always counts, with its consequence."""
    day = date.fromordinal(AS_OF.toordinal() + days - 1).isoformat()
    coming = ValveRecord(tag="FV-9", design="D", area="U100", installed_on=day, consequence="stops")
    found = asked(valves=[*others, coming], stock=[])
    assert (("MAIN", "K") in found) == counts
    if counts:
        assert "FV-9" in found["MAIN", "K"].question.valves
        assert found["MAIN", "K"].consequence == "stops"

"""Lines of the order list: how a position was made up, when stock runs out, who else has the kit, what to chase."""

from dataclasses import replace
from datetime import date
from typing import Any

from forecasting.stock_positions import OpenOrder
from models.runs import RunReorderPoint
from service.schemas.records import StockRecord
from service.translate_decisions import reorder_row
from service.translate_order_lines import order_line, stock_elsewhere, with_elsewhere
from tests.service.test_translate_results import AS_OF, ENOUGH, SHORT, trim_kit
from tests.service.test_translate_stock import asked


def line_of(row: dict[str, Any]) -> Any:
    return order_line(RunReorderPoint(run_id=1, storeroom_key="", kit_key="", **row), method="m")


def row_of(decision: Any, **changed: Any) -> dict[str, Any]:
    kit = trim_kit()
    question = replace(kit.question, **changed)
    return reorder_row(replace(kit, question=question), decision, as_of=AS_OF, history_days=4000.0)


def test_the_parts_of_a_position_add_up() -> None:
    position = replace(
        SHORT.position, on_hand=9, expired=2, expiring=1, unfilled=1, reserved=2, on_order=4, late=5, accepted=3
    )
    line = line_of(row_of(replace(SHORT, position=position)))
    assert (line.usable_on_hand, line.on_order_late) == (6, 5)
    made_up = line.usable_on_hand - line.unfilled - line.reserved + line.on_order_counted + line.accepted_qty
    assert (made_up, line.position) == (10, 10)


def test_a_late_line_says_when_it_was_to_be_ordered() -> None:
    line = line_of(row_of(replace(SHORT, days_late=11.0, stock_out=30.0)))
    assert (line.order_by, line.stock_out_on) == (date(2026, 2, 18), date(2026, 3, 31))
    assert "; was to be ordered by 2026-02-18" in line.reason
    today = line_of(row_of(SHORT))
    assert (today.order_by, today.stock_out_on) == (AS_OF, None)
    assert "was to be" not in today.reason


def test_each_line_says_what_to_do() -> None:
    waiting = replace(ENOUGH, position=replace(ENOUGH.position, accepted=1, on_order=2, overdue=2))
    actions = [line_of(row_of(decision)).action for decision in (SHORT, ENOUGH, waiting)]
    assert actions == ["order", "", "accepted_not_ordered|chase_overdue"]


def test_an_overdue_order_of_a_kit_nothing_is_decided_about_is_chased() -> None:
    line = line_of(row_of(None, orders=(OpenOrder(due=-5.0, qty=2),), on_hand=1, accepted=1))
    assert (line.action, line.overdue_qty, line.usable_on_hand) == ("accepted_not_ordered|chase_overdue", 2, 1)


def test_what_other_storerooms_have_is_named_where_there_is_something_to_order() -> None:
    stock = [StockRecord(storeroom=room, kit="K", on_hand=kits) for room, kits in (("MAIN", 0), ("B", 2), ("A", 1))]
    others = stock_elsewhere(list(asked(stock=stock).values()), {})
    assert others == {("A", "K"): {"B": 2}, ("B", "K"): {"A": 1}, ("MAIN", "K"): {"A": 1, "B": 2}}
    line = line_of(with_elsewhere(row_of(SHORT), others["MAIN", "K"]))
    assert line.elsewhere == "A:1|B:2"
    assert line.reason.endswith("; in other storerooms: 1 in A and 2 in B")
    enough = line_of(with_elsewhere(row_of(ENOUGH), others["A", "K"]))
    assert (enough.elsewhere, "other storerooms" in enough.reason) == ("B:2", False)


def test_what_is_promised_elsewhere_is_not_offered() -> None:
    stock = [StockRecord(storeroom=room, kit="K", on_hand=3) for room in ("MAIN", "B")]
    rows = asked(stock=stock)
    promised = replace(rows["B", "K"].question, reserved=2, unfilled=1)
    both = [rows["MAIN", "K"], replace(rows["B", "K"], question=promised)]
    assert stock_elsewhere(both, {}) == {("MAIN", "K"): {}, ("B", "K"): {"MAIN": 3}}
    decided = {("MAIN", "K"): replace(SHORT, position=replace(SHORT.position, on_hand=3, expiring=2))}
    assert stock_elsewhere(both, decided)["B", "K"] == {"MAIN": 1}

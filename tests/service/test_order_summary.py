"""What changes if an order list is accepted: against sums done by hand, with ranks, and what isn't known left out."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from models.runs import RunReorderPoint
from service.schemas.order_effects import OrderEffectOut
from service.translate_order_effects import LINES_THAT_MATTER, effects
from tests.service.conftest import DEMAND, RESULTS

Client = TestClient[Any]
FinishRun = Callable[[Engines], int]
SIX = (0.1, 0.2, 0.3, 0.2, 0.1, 0.1)
"""P(D = 0) to P(D = 5): 0.5 x 1 + 0.2 ... E(D - 1)+ = 0.3 + 0.4 + 0.3 + 0.4 = 1.4, E(D - 4)+ = 0.1."""


def row(kit: str, *, position: int | None = 1, quantity: int = 3, **details: Any) -> RunReorderPoint:
    return RunReorderPoint(
        run_id=1,
        storeroom="MAIN",
        storeroom_key="main",
        kit=kit,
        kit_key=kit.lower(),
        position=position,
        proposed_quantity=quantity,
        unit_cost=Decimal("2.50"),
        cost=Decimal("2.50") * quantity if quantity else None,
        status="computed",
        details=details,
    )


def effects_of(*rows: RunReorderPoint, **taken: int) -> list[OrderEffectOut]:
    decided = {("main", kit.lower()): qty for kit, qty in taken.items()}
    return effects(rows, {("main", one.kit_key): SIX for one in rows}, decided)


def test_shortage_and_chances_are_those_of_the_position_before_and_after() -> None:
    together, line = effects_of(row("K", shortage_weight=5.0))
    assert [line.shortage_now, line.shortage_if_accepted] == pytest.approx([7.0, 0.5])
    assert [line.run_out_now, line.run_out_if_accepted] == pytest.approx([0.7, 0.1])
    assert (together.of, together.lines, together.order_quantity, together.cost) == ("all", 1, 3, Decimal("7.50"))
    assert (together.shortage_now, together.run_out_if_accepted) == (line.shortage_now, line.run_out_if_accepted)


def test_requests_that_wait_are_short_already() -> None:
    _, line = effects_of(row("K", position=-2, quantity=10))
    assert [line.shortage_now, line.run_out_now] == pytest.approx([2.3 + 2.0, 1.0])
    assert (line.shortage_if_accepted, line.run_out_if_accepted) == (0.0, 0.0)


def test_kits_without_a_proposal_count_on_both_sides_and_are_no_lines() -> None:
    together, line = effects_of(row("K"), row("KEPT", quantity=0))
    assert (together.lines, line.kit) == (1, "K")
    assert together.shortage_now == pytest.approx(2.8)
    assert together.shortage_if_accepted == pytest.approx(0.1 + 1.4)


def test_lines_already_decided_are_left_out_and_what_was_taken_of_them_is_there() -> None:
    """Three accepted, one line declined, one open: position 1 + 3 on both sides, 1 on both sides, 1 and 4."""
    unpriced = row("DECLINED")
    unpriced.unit_cost = unpriced.cost = None
    together, line = effects_of(row("TAKEN"), unpriced, row("OPEN"), TAKEN=3, DECLINED=0)
    assert (line.kit, together.lines, together.order_quantity, together.cost) == ("OPEN", 1, 3, Decimal("7.50"))
    assert together.lines_without_price == 0
    assert together.shortage_now == pytest.approx(0.1 + 1.4 + 1.4)
    assert together.shortage_if_accepted == pytest.approx(0.1 + 1.4 + 0.1)
    assert together.run_out_now == pytest.approx(0.1 + 0.7 + 0.7)
    (nothing,) = effects_of(row("TAKEN"), TAKEN=2)
    assert (nothing.lines, nothing.order_quantity, nothing.cost) == (0, 0, Decimal(0))
    assert nothing.shortage_now == nothing.shortage_if_accepted == pytest.approx(0.3)


def test_the_lines_that_avoid_most_come_first_and_twenty_are_told() -> None:
    rows = [row(f"K{number}", shortage_weight=float(number)) for number in range(1, 31)]
    told = effects_of(*rows)
    assert [line.kit for line in told[1:]] == [f"K{number}" for number in range(30, 30 - LINES_THAT_MATTER, -1)]
    assert told[0].lines == 30


def test_what_is_not_known_is_not_made_up() -> None:
    unknown = row("U", position=None)
    unknown.unit_cost = unknown.cost = None
    together, line, last = effects((row("K"), unknown), {("main", "k"): SIX}, {})
    assert (last.kit, last.shortage_now, last.run_out_if_accepted, last.cost) == ("U", None, None, Decimal(0))
    assert (together.shortage_now, together.lines_without_price) == (line.shortage_now, 1)


def test_levels_are_compared_only_where_the_present_one_is_known() -> None:
    known: dict[str, Any] = {
        "short_per_year": 0.1,
        "present_short_per_year": 2.0,
        "cost_per_year": 50.0,
        "present_cost_per_year": 90.0,
    }
    together, first, second = effects_of(row("K", **known), row("L", short_per_year=7.0, cost_per_year=9.0))
    assert (first.short_per_year_at_present_levels, first.cost_per_year_at_proposed_levels) == (2.0, 50.0)
    assert second.short_per_year_at_proposed_levels is None
    assert (together.short_per_year_at_proposed_levels, together.cost_per_year_at_present_levels) == (0.1, 90.0)


def test_the_summary_is_served_as_json_and_csv(
    client: Client, engines: Engines, finish_run: FinishRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    covering = {**DEMAND[0], "area": "", "storeroom": "MAIN", "bucket": "protection_interval"}
    monkeypatch.setitem(RESULTS, "demand", [covering])
    run = finish_run(engines)
    body = client.get("/v1/order-list/summary").json()
    together, first, second = body["value"]
    assert (body["run"], together["of"], together["lines"], together["lines_without_price"]) == (run, "all", 2, 1)
    assert (first["kit"], first["cost"], first["shortage_now"], first["run_out_if_accepted"]) == (
        "K-1",
        "4802.00",
        0.0,
        0.0,
    )
    assert (second["kit"], second["shortage_now"]) == ("K/2", None)
    assert "a kit short weighs 20" in body["notice"]
    lines = client.get("/v1/order-list/summary?format=csv&storeroom=main").text.splitlines()
    assert lines[0].startswith("of,storeroom,kit,lines,order_quantity,cost,")
    assert [line.split(",")[2] for line in lines[1:]] == ["", "K-1", "K/2"]
    assert client.get("/v1/order-list/summary?storeroom=NOWHERE").status_code == 404
    client.post("/v1/reorder-points/MAIN/K-1/accept", json={"quantity": 4, "reason": "as proposed"})
    left = client.get("/v1/order-list/summary").json()
    assert [(one["kit"], one["cost"]) for one in left["value"]] == [(None, "0"), ("K/2", "0")]
    assert "Lines decided since the forecast aren't in it" in left["notice"]
    client.post("/v1/reorder-points/MAIN/K%2F2/accept", json={"quantity": 0, "reason": "not this year"})
    (nothing,) = client.get("/v1/order-list/summary").json()["value"]
    assert (nothing["lines"], nothing["order_quantity"]) == (0, 0)
    assert "Nothing is left to decide" in client.get("/").text

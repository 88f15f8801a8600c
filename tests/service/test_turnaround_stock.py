"""Two turnarounds served by one storeroom: the earlier takes what is there first, also where limits plan it again."""

import shutil
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest

from forecasting.stock_positions import OpenOrder
from forecasting.stocking import Rule, StockQuestion
from models.engine import Engines, open_engines
from service.db import read_session
from service.schemas.turnarounds import TurnaroundKitOut, TurnaroundPlan, TurnaroundQuestion
from service.translate_turnaround_stock import Taking, free_on, taken_from, takings_of
from service.use_cases import read_turnaround
from service.use_cases.answer_turnaround import answer_turnaround
from tests.service.test_run_forecast import bring_in, computed
from tests.service.turnaround_record import TURNAROUND_FILES

AS_OF, FIRST, SECOND = date(2026, 3, 1), "TA-26", "TA-28"
PLENTY = 6
"""Kits of KT on the shelf beside one on order: more than the first turnaround takes, too few for both."""


@pytest.fixture(scope="module")
def planned(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engines]:
    """Plan the small plant with more stock of KT."""
    path = tmp_path_factory.mktemp("shared") / "record.sqlite"
    shutil.copyfile(migrated_file, path)
    engines = open_engines(f"sqlite:///{path}")
    bring_in(engines, TURNAROUND_FILES | {"stock.csv": ["storeroom,kit,on_hand", "MAIN,KP,3", f"MAIN,KT,{PLENTY}"]})
    computed(engines)
    yield engines
    engines.reader.dispose()


def plan(engines: Engines, code: str) -> TurnaroundPlan:
    with read_session(engines) as session:
        return read_turnaround.stored(session, code, None).plan


def kit_of(plan: TurnaroundPlan, kit: str = "KT") -> TurnaroundKitOut:
    return next(one for one in plan.kits if one.kit == kit)


def free_without_takings(engines: Engines) -> int:
    """Count what is there beyond the running need's reorder point: on the shelf, and the one on order."""
    first = kit_of(plan(engines, FIRST))
    assert "taken_before" in first.details
    return first.available


def test_the_later_turnaround_has_what_the_earlier_leaves(planned: Engines) -> None:
    first, second = kit_of(plan(planned, FIRST)), kit_of(plan(planned, SECOND))
    there = free_without_takings(planned)
    assert 0 < first.wanted_qty < there < first.wanted_qty + second.wanted_qty
    assert first.details["taken"] == {"MAIN": first.wanted_qty}
    assert (first.to_order, first.details["taken_before"]) == (0, {})
    assert second.available == there - first.wanted_qty
    assert second.to_order == second.wanted_qty - second.available > 0
    assert second.details["taken_before"] == {FIRST: first.wanted_qty}
    assert second.reason.endswith(f" Of what is there {FIRST} on {first.needed_on} takes {first.wanted_qty} first.")
    assert "first." not in first.reason


def test_counting_the_same_stock_twice_is_found_out(planned: Engines, monkeypatch: pytest.MonkeyPatch) -> None:
    """The mutant: nothing that an earlier turnaround takes is known to the later one."""
    right = kit_of(plan(planned, SECOND))
    monkeypatch.setattr("service.use_cases.answer_turnaround.takings_of", lambda plans: {})
    again = answer_turnaround(planned, TurnaroundQuestion(run=1, code=SECOND, hours=1e6)).plan
    assert again is not None
    assert kit_of(again).available == free_without_takings(planned) > right.available


def test_planned_again_under_limits_that_do_not_bind_the_kits_are_the_same(planned: Engines) -> None:
    for code in (FIRST, SECOND):
        again = answer_turnaround(planned, TurnaroundQuestion(run=1, code=code, hours=1e6)).plan
        assert again is not None
        assert again.kits == plan(planned, code).kits


def question(on_hand: int, *orders: OpenOrder, reserved: int = 0) -> StockQuestion:
    return StockQuestion(
        storeroom="MAIN",
        kit="K",
        valves=frozenset(),
        lead_time=30.0,
        lead_time_spread=0.0,
        review_period=7.0,
        rule=Rule.CYCLE,
        target=0.9,
        floor=0,
        min_order=1,
        pack=1,
        shelf_life=float("inf"),
        order_cost=1.0,
        holding_cost=None,
        on_hand=on_hand,
        orders=orders,
        reserved=reserved,
    )


def test_what_comes_between_two_turnarounds_is_there_for_the_later_one() -> None:
    asked = question(5, OpenOrder(due=100.0, qty=4), reserved=1)
    first, second = AS_OF + timedelta(days=50), AS_OF + timedelta(days=150)
    assert free_on(asked, (), day=first, as_of=AS_OF, kept=2) == 5 - 1 - 2
    taken = (Taking(turnaround="A", needed_on=first, qty=2),)
    assert free_on(asked, taken, day=second, as_of=AS_OF, kept=2) == 9 - 1 - 2 - 2


def test_storerooms_that_serve_a_later_turnaround_give_last() -> None:
    free = {"A": 3, "B": 2, "C": 0}
    assert taken_from(free, wanted=4, spared=frozenset({"A"})) == {"B": 2, "A": 2}
    assert taken_from(free, wanted=9, spared=frozenset()) == {"A": 3, "B": 2}
    assert taken_from(free, wanted=0, spared=frozenset()) == {}


def test_plans_of_an_earlier_version_take_nothing(planned: Engines) -> None:
    made = plan(planned, FIRST)
    assert takings_of([made])["MAIN", "KT"] == [
        Taking(turnaround=FIRST, needed_on=made.kits[0].needed_on, qty=kit_of(made).wanted_qty)
    ]
    for kit in made.kits:
        del kit.details["taken"]
    assert takings_of([made]) == {}

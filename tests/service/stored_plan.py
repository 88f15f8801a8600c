"""A small plan of a turnaround, as a run would have stored it: sums that can be followed by hand."""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal

from msgspec import structs

from models.base import code_key
from models.engine import Engines
from models.runs import RunTurnaround
from service.db import write_session
from service.schemas.turnarounds import BasisOut, BudgetLineOut, BudgetOut, TurnaroundKitOut, TurnaroundPlan
from service.stored_plans import packed_plan
from service.use_cases.choose_run import choose_run


def line(name: str, mean: int, spread: int) -> BudgetLineOut:
    levels = {"p10": -1, "p50": 0, "p80": 1, "p90": 2}
    amounts = {level: Decimal(mean + times * spread) for level, times in levels.items()}
    return BudgetLineOut(line=name, mean=Decimal(mean), what="", **amounts)


PLAN = TurnaroundPlan(
    code="TA-1",
    scope=[],
    kits=[],
    staging=[],
    limits=[],
    budget=BudgetOut(
        turnaround="TA-1",
        name="autumn",
        starts_on=date(2026, 10, 4),
        ends_on=date(2026, 10, 25),
        scope_freeze_on=None,
        as_of=date(2026, 3, 1),
        base_estimate=Decimal(30_000),
        contingency_percentile=80,
        contingency=Decimal(8_000),
        price_and_hours_change=Decimal(3_000),
        lines=[
            line("planned", 30_000, 0),
            line("emergent", 4_000, 1_000),
            line("total", 34_000, 1_000),
            line("total_with_prices_and_hours", 34_000, 4_000),
        ],
        cash=[],
        valves=[],
        basis=BasisOut(as_of=date(2026, 3, 1), method="m", models=[], prices=[], assumptions=[], exclusions=[]),
        percentiles=[Decimal(30_000 + 100 * per_cent) for per_cent in range(1, 100)],
        percentiles_without_prices=[Decimal(35_000)] * 99,
    ),
)


def kit_line(kit: str, *, storeroom: str) -> TurnaroundKitOut:
    """Plan 3 of a kit, one of which is there."""
    return TurnaroundKitOut(
        kit=kit,
        to_order=2,
        order_by=date(2026, 8, 1),
        days_late=0,
        planned_qty=2,
        expected_extra=0.4,
        p50=2,
        p80=3,
        p90=3,
        wanted_qty=3,
        available=1,
        needed_on=date(2026, 10, 4),
        lead_time_days=60.0,
        lead_time_sd_days=0.0,
        arrives_in_time=1.0,
        order_before_freeze=False,
        chance_used=0.9,
        unit_cost=None,
        cost=None,
        surplus_cost=None,
        reason="",
        details={"storerooms": [storeroom]},
    )


def store_plan(engines: Engines, code: str, *, kits: Sequence[TurnaroundKitOut] = ()) -> None:
    """Store the plan as that of a turnaround, by the latest run that finished."""
    content = packed_plan(structs.replace(PLAN, code=code, kits=list(kits)))
    with write_session(engines) as session:
        run = choose_run(session, None)
        session.add(RunTurnaround(run_id=run.id, code=code, code_key=code_key(code), content=content))

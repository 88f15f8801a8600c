"""A small plan of a turnaround, as a run would have stored it: sums that can be followed by hand."""

from datetime import date
from decimal import Decimal

from msgspec import structs

from models.base import code_key
from models.engine import Engines
from models.runs import RunTurnaround
from service.db import write_session
from service.schemas.turnarounds import BasisOut, BudgetLineOut, BudgetOut, TurnaroundPlan
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


def store_plan(engines: Engines, code: str) -> None:
    """Store the plan as that of a turnaround, by the latest run that finished."""
    content = packed_plan(structs.replace(PLAN, code=code))
    with write_session(engines) as session:
        run = choose_run(session, None)
        session.add(RunTurnaround(run_id=run.id, code=code, code_key=code_key(code), content=content))

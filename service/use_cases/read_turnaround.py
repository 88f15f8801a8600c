"""What a run planned for a turnaround: its scope, budget and kits, as stored; under limits, computed on request."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from msgspec import UNSET, UnsetType, structs

from forecasting.errors import InfeasibleTarget
from models.base import Conflict, NotFound, Session
from models.engine import Engines
from models.queries import run_inputs, turnaround_plans
from models.runs import Run
from models.turnarounds import Turnaround
from service.db import read_session
from service.listings import Listing, Row, listing_of
from service.schemas.results import CAUTIONS, Page
from service.schemas.turnarounds import (
    BasisRowOut,
    BudgetOut,
    TurnaroundAnswer,
    TurnaroundPlan,
    TurnaroundQuestion,
)
from service.stored_plans import unpacked_plan
from service.translate_budget_conventions import basis_rows
from service.use_cases.choose_run import choose_run, notice

AskTurnaround = Callable[[TurnaroundQuestion], TurnaroundAnswer]


@dataclass(frozen=True, kw_only=True)
class AskedLimits:
    """What a turnaround has; None: as much as is wanted."""

    budget: float | None = None
    hours: float | None = None
    valves: int | None = None

    @property
    def asked(self) -> bool:
        """Whether there is any limit."""
        return (self.budget, self.hours, self.valves) != (None, None, None)


@dataclass(frozen=True, kw_only=True)
class ReadPlan:
    """A plan, and what is said above every part of it."""

    plan: TurnaroundPlan
    run: int
    as_of: date
    method: str | None
    notice: str | UnsetType

    def listing(self, shape: type[Row], rows: list[Row]) -> Listing[Row]:
        """Make a list of some of its rows, with the cautions of those who go to the valves."""
        listing = listing_of(shape, rows, notice=self.notice)
        top = Page[Row](
            value=(),
            run=self.run,
            as_of=self.as_of,
            method=self.method or UNSET,
            cautions=CAUTIONS,
            notice=self.notice,
        )
        return Listing(shape=shape, read=listing.read, top=top)


def told_budget(read: ReadPlan, *, percentile: int | None = None) -> BudgetOut:
    """Say which run a budget is of, and take the contingency at another percentile of its total.

    Parameters
    ----------
    read : ReadPlan
        The plan.
    percentile : int or None [per cent]
        From 1 to 99; None: as the run chose.

    Returns
    -------
    BudgetOut
        The same budget otherwise.
    """
    made = read.plan.budget
    chosen = made.contingency_percentile if percentile is None else percentile
    with_prices = Decimal(made.percentiles[chosen - 1])
    return structs.replace(
        made,
        contingency_percentile=chosen,
        contingency=with_prices - made.base_estimate,
        price_and_hours_change=with_prices - made.percentiles_without_prices[chosen - 1],
        run=read.run,
        notice=read.notice,
    )


def basis_of(read: ReadPlan) -> list[BasisRowOut]:
    """Lay out what a budget rests on as rows; data cut-off first, exclusions last."""
    return basis_rows(read.plan.budget.basis)


def stored(session: Session, code: str, run_id: int | None) -> ReadPlan:
    """Read what a run planned for a turnaround.

    Parameters
    ----------
    session : Session
        A reader's.
    code : str
        Of the turnaround.
    run_id : int or None
        Which run; None is the latest finished.

    Returns
    -------
    ReadPlan
        As it was stored.

    Raises
    ------
    NotFound
        If there is no such turnaround.
    Conflict
        If the run planned none of it, because it is over, for instance.
    """
    run = choose_run(session, run_id)
    content = turnaround_plans.stored_plan(session, run.id, code)
    if content is None:
        found = turnaround_plans.find_turnaround(session, code)
        if found is None:
            raise NotFound(f"there is no turnaround {code}")
        raise Conflict(_why_none(found, run))
    return _read(unpacked_plan(content), run, session)


def _read(plan: TurnaroundPlan, run: Run, session: Session) -> ReadPlan:
    return ReadPlan(plan=plan, run=run.id, as_of=run.as_of, method=run.method, notice=notice(session))


def _why_none(found: Turnaround, run: Run) -> str:
    last = found.ends_on or found.starts_on
    if found.starts_on is None or last is None:
        return f"turnaround {found.code} has no first day, so nothing is planned for it"
    if last <= run.as_of:
        return f"turnaround {found.code} was over on {last}, before the data cut-off of run {run.id}, {run.as_of}"
    if run.horizon_ends_on is not None and found.starts_on > run.horizon_ends_on:
        return f"turnaround {found.code} begins on {found.starts_on}, after the horizon of run {run.id}"
    return f"run {run.id} didn't know turnaround {found.code} as it is now: POST /v1/runs"


def plan_under(engines: Engines, ask: AskTurnaround, *, code: str, run_id: int | None, limits: AskedLimits) -> ReadPlan:
    """Read what a run planned for a turnaround, or plan it again under limits, from what the run read.

    Parameters
    ----------
    engines : Engines
        The database.
    ask : callable
        Computes what the run didn't store.
    code : str
        Of the turnaround.
    run_id : int or None
        Which run; None is the latest finished.
    limits : AskedLimits
        What it has.

    Returns
    -------
    ReadPlan
        Scope, budget, kits and the worth of the limits.

    Raises
    ------
    NotFound
        If there is no such turnaround, or what the run read is no longer kept.
    Conflict
        If the run planned none of it.
    InfeasibleTarget
        If what has to be opened exceeds a limit.
    """  # noqa: DOC502 (two come from stored)
    with read_session(engines) as session:
        read = stored(session, code, run_id)
        run = choose_run(session, read.run)
        if limits.asked:
            run_inputs.run_input(session, run)
    if not limits.asked:
        return read
    question = TurnaroundQuestion(
        run=read.run, code=read.plan.code, budget=limits.budget, hours=limits.hours, valves=limits.valves
    )
    answer = ask(question)
    if answer.plan is None:
        raise InfeasibleTarget(answer.infeasible)
    return ReadPlan(plan=answer.plan, run=read.run, as_of=read.as_of, method=read.method, notice=read.notice)


def read_plan(engines: Engines, *, code: str, run_id: int | None) -> ReadPlan:
    """Read what a run planned for a turnaround, in a session of its own.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.
    run_id : int or None
        Which run; None is the latest finished.

    Returns
    -------
    ReadPlan
        As `stored`.

    Raises
    ------
    NotFound
        If there is no such turnaround.
    Conflict
        If the run planned none of it.
    """  # noqa: DOC502 (both come from stored)
    with read_session(engines) as session:
        return stored(session, code, run_id)

"""Reorder points and proposals under other times, targets, prices, policies and valves; nothing is stored."""

from collections.abc import Callable, Sequence

from msgspec import UnsetType

from forecasting.errors import InsufficientData, InvalidInput
from models.base import NotFound, Session, code_key
from models.engine import Engines
from models.queries import results, run_inputs, stock_cases
from models.runs import Run, RunReorderPoint
from service.db import read_session
from service.problem_kinds import INVALID_INPUT
from service.problems import ProblemError, ProblemFound
from service.schemas.what_if import (
    FleetAnswer,
    FleetQuestion,
    FleetRow,
    WhatIfOut,
    WhatIfRequest,
    WhatIfRow,
)
from service.translate_stock import Assumptions
from service.translate_what_if import (
    StockCase,
    answered,
    as_stored,
    change_between,
    changed,
    levels,
    totals,
    totals_between,
    unpacked_cases,
)
from service.use_cases.choose_run import choose_run, notice
from service.use_cases.read_covering import EVERY_ROW

NOT_FORECAST = FleetAnswer()
AskFleet = Callable[[FleetQuestion], FleetAnswer]


def ask_what_if(engines: Engines, ask: AskFleet, wanted: WhatIfRequest, *, run_id: int | None) -> WhatIfOut:
    """Decide again what a run decided, with something otherwise.

    Parameters
    ----------
    engines : Engines
        The database; it is only read.
    ask : callable
        Forecasts anew, where that is needed.
    wanted : WhatIfRequest
        What would be otherwise, and where.
    run_id : int or None
        Which run; None is the latest finished.

    Returns
    -------
    WhatIfOut
        One row per storeroom and kit, beside what the run computed.

    Raises
    ------
    NotFound
        If there is no such storeroom or kit in the run, or it is too old to have kept what it asked.
    InsufficientData
        If the run decided nothing about it.
    InvalidInput
        If a kit can't be decided that way.
    ProblemFound
        If something named isn't in the record, or a day isn't forecast.
    """  # noqa: DOC502 (InvalidInput comes from _row, ProblemFound from _forecast_anew)
    if wanted.needs_renewals:
        return _forecast_anew(engines, ask, wanted, run_id=run_id)
    with read_session(engines) as session:
        run, rows = _asked_about(session, wanted, run_id)
        packed, said = stock_cases.stock_cases(session, run), notice(session)
    cases = _cases(packed)
    kept = [(row, cases[key]) for row in rows if (key := (row.storeroom_key, row.kit_key)) in cases]
    if not kept:
        raise InsufficientData(f"not enough data: run {run.id} decided nothing there: {rows[0].reason}")
    return _told([_row(row, case, wanted, run) for row, case in kept], run, said)


def _told(value: Sequence[WhatIfRow], run: Run, said: str | UnsetType, answer: FleetAnswer = NOT_FORECAST) -> WhatIfOut:
    before, after = totals([one.computed for one in value]), totals([one.what_if for one in value])
    return WhatIfOut(
        value=value,
        demand=answer.demand,
        turnaround_kits=answer.turnaround_kits,
        total_computed=before,
        total_what_if=after,
        total_change=totals_between(before, after),
        run=run.id,
        as_of=run.as_of,
        method=run.method,
        notice=said,
    )


def _forecast_anew(engines: Engines, ask: AskFleet, wanted: WhatIfRequest, *, run_id: int | None) -> WhatIfOut:
    """Let a process forecast what this touches, set that beside what the run stored, and decide the rest again."""  # noqa: DOC501
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        run_inputs.run_input(session, run)
        rows = results.reorder_points(
            session, run.id, storeroom=wanted.storeroom, kit=wanted.kit, after=0, limit=EVERY_ROW
        )
        packed, said = stock_cases.stock_cases(session, run), notice(session)
    answer = ask(FleetQuestion(run=run.id, wanted=wanted))
    if answer.misfits:
        wrong = [ProblemError(pointer=one.pointer, value=one.value, expected=one.expected) for one in answer.misfits]
        raise ProblemFound(INVALID_INPUT, f"Something doesn't fit the record that run {run.id} read.", errors=wrong)
    if answer.undecided:
        raise InvalidInput(f"that can't be decided: {answer.undecided}")
    if not rows and not answer.rows:
        raise NotFound(f"{_place(wanted)} would be neither needed nor stocked, nor was it in run {run.id}")
    stored = {(row.storeroom_key, row.kit_key): row for row in rows}
    anew = {(code_key(one.storeroom), code_key(one.kit)): one for one in answer.rows}
    cases = _cases(packed)
    value = [_row(row, cases[key], wanted, run) for key, row in stored.items() if key in cases and key not in anew]
    value += [_row_anew(one, stored.get(key)) for key, one in anew.items() if one.decided or key in cases]
    return _told(sorted(value, key=lambda one: (one.storeroom, one.kit)), run, said, answer)


def _row_anew(one: FleetRow, row: RunReorderPoint | None) -> WhatIfRow:
    """Set a decision beside that of the run, which has none about a kit that nobody took."""
    before = levels({"details": {}} if row is None else as_stored(row))
    return WhatIfRow(
        storeroom=one.storeroom,
        kit=one.kit,
        computed=before,
        what_if=one.what_if,
        change=change_between(before, one.what_if),
    )


def _cases(packed: bytes) -> dict[tuple[str, str], StockCase]:
    return {
        (code_key(one.asked.question.storeroom), code_key(one.asked.question.kit)): one
        for one in unpacked_cases(packed)
    }


def _place(wanted: WhatIfRequest) -> str:
    kit = "any kit" if wanted.kit is None else f"kit {wanted.kit}"
    return kit if wanted.storeroom is None else f"{kit} in storeroom {wanted.storeroom}"


def _asked_about(session: Session, wanted: WhatIfRequest, run_id: int | None) -> tuple[Run, Sequence[RunReorderPoint]]:
    run = choose_run(session, run_id)
    rows = results.reorder_points(session, run.id, storeroom=wanted.storeroom, kit=wanted.kit, after=0, limit=EVERY_ROW)
    if not rows:
        raise NotFound(f"run {run.id} knows of no reorder point of {_place(wanted)}")
    return run, rows


def _row(row: RunReorderPoint, case: StockCase, wanted: WhatIfRequest, run: Run) -> WhatIfRow:
    try:
        after = answered(case, changed(case.asked, wanted, assumed=Assumptions()), as_of=run.as_of)
    except InvalidInput as error:
        raise InvalidInput(f"kit {row.kit} in storeroom {row.storeroom} can't be decided that way: {error}") from error
    before = levels(as_stored(row))
    return WhatIfRow(
        storeroom=row.storeroom, kit=row.kit, computed=before, what_if=after, change=change_between(before, after)
    )

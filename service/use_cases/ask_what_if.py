"""Reorder points and proposals under other lead times, targets and prices; nothing is stored."""

from collections.abc import Sequence

from forecasting.errors import InsufficientData, InvalidInput
from models.base import NotFound, Session, code_key
from models.engine import Engines
from models.queries import results, stock_cases
from models.runs import Run, RunReorderPoint
from service.db import read_session
from service.schemas.what_if import WhatIfOut, WhatIfRequest, WhatIfRow
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


def ask_what_if(engines: Engines, wanted: WhatIfRequest, *, run_id: int | None) -> WhatIfOut:
    """Decide again what a run decided, with something otherwise.

    Parameters
    ----------
    engines : Engines
        The database; it is only read.
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
    """  # noqa: DOC502 (InvalidInput comes from _row)
    with read_session(engines) as session:
        run, rows = _asked_about(session, wanted, run_id)
        packed, said = stock_cases.stock_cases(session, run), notice(session)
    cases = {
        (code_key(one.asked.question.storeroom), code_key(one.asked.question.kit)): one
        for one in unpacked_cases(packed)
    }
    kept = [(row, cases[key]) for row in rows if (key := (row.storeroom_key, row.kit_key)) in cases]
    if not kept:
        raise InsufficientData(f"not enough data: run {run.id} decided nothing there: {rows[0].reason}")
    value = [_row(row, case, wanted, run) for row, case in kept]
    before, after = totals([one.computed for one in value]), totals([one.what_if for one in value])
    return WhatIfOut(
        value=value,
        total_computed=before,
        total_what_if=after,
        total_change=totals_between(before, after),
        run=run.id,
        as_of=run.as_of,
        method=run.method,
        notice=said,
    )


def _asked_about(session: Session, wanted: WhatIfRequest, run_id: int | None) -> tuple[Run, Sequence[RunReorderPoint]]:
    run = choose_run(session, run_id)
    rows = results.reorder_points(session, run.id, storeroom=wanted.storeroom, kit=wanted.kit, after=0, limit=EVERY_ROW)
    if not rows:
        kit = "any kit" if wanted.kit is None else f"kit {wanted.kit}"
        where = "" if wanted.storeroom is None else f" in storeroom {wanted.storeroom}"
        raise NotFound(f"run {run.id} knows of no reorder point of {kit}{where}")
    return run, rows


def _row(row: RunReorderPoint, case: StockCase, wanted: WhatIfRequest, run: Run) -> WhatIfRow:
    try:
        after = answered(case, changed(case, wanted, assumed=Assumptions()), as_of=run.as_of)
    except InvalidInput as error:
        raise InvalidInput(f"kit {row.kit} in storeroom {row.storeroom} can't be decided that way: {error}") from error
    before = levels(as_stored(row))
    return WhatIfRow(
        storeroom=row.storeroom, kit=row.kit, computed=before, what_if=after, change=change_between(before, after)
    )

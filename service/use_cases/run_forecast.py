"""Compute a run: read the record, forecast, store what was found, all or nothing."""

from collections.abc import Callable, Iterator, Sequence
from datetime import date
from os import getpid

from forecasting.errors import ForecastingError
from forecasting.finding_effects import effects_of_findings
from forecasting.pipeline import Forecast, forecast
from models.base import StorageError
from models.engine import Engines
from models.findings import UnplacedEvent
from models.queries import records as record_queries
from models.queries import run_inputs, runs, stock_cases, voids
from service.closings import ReadHistory
from service.db import read_session, write_session
from service.executors import chosen_executor
from service.plan_of_turnaround import plan_rows
from service.record_doubts import tag_findings, untagged_findings, young_record_findings
from service.result_rows import METHOD
from service.run_inputs import Asked, Inputs, asked_of, read_inputs
from service.settings import now
from service.translate_decisions import reorder_row, reorder_row_from_issues
from service.translate_demand import (
    demand_rows,
    forecast_periods,
    horizon,
    issued_rows,
    next_stops,
    part_rows,
    protection_rows,
    shortfalls,
    turnaround_rows,
)
from service.translate_findings import finding_rows, kits_per_year, subjects_of
from service.translate_issues import dead_stock, issue_warnings
from service.translate_kits import kits_told
from service.translate_order_lines import stock_elsewhere, with_elsewhere
from service.translate_parts import from_parts, with_parts
from service.translate_results import failure_model_rows, need_rows
from service.translate_spend import spend_rows
from service.translate_stock_cases import packed_cases
from service.translate_turnarounds import without_turnaround
from service.use_cases.compare_runs import change_rows, read_run_before
from service.use_cases.read_exchanges import read_exchanges

UNTOLD = "The forecast stopped on a fault of its own; the log of the process says which."


def _untold(_: str) -> None:
    """Tell nobody how far it is."""


def run_forecast(engines: Engines, *, run_id: int, enter: Callable[[str], None] = _untold) -> None:
    """Compute a queued run and store its results, or mark it failed.

    Parameters
    ----------
    engines : Engines
        Of the database.
    run_id : int
        A queued run; this process claims it.
    enter : callable
        Told which of `models.runs.STAGES` begins.

    Raises
    ------
    Exception
        Whatever stopped it, after the run is marked failed.
    """
    with write_session(engines) as session:
        as_of = runs.claim_run(session, run_id, started_at=now(), pid=getpid()).as_of
    try:
        _compute(engines, run_id, as_of=as_of, enter=enter)
    except Exception as error:
        # what isn't said in our own words may hold anything, so only the log has it
        told = str(error) if isinstance(error, ForecastingError | StorageError) else UNTOLD
        with write_session(engines) as session:
            runs.fail_run(session, run_id, finished_at=now(), error=told)
        raise


def _compute(engines: Engines, run_id: int, *, as_of: date, enter: Callable[[str], None]) -> None:
    """Read, forecast, store."""
    enter("reading")
    with read_session(engines) as session:
        read = read_inputs(session, read_exchanges(session, as_of=as_of))
        undescribed, waiting = record_queries.undescribed(session), voids.held_aside(session)
        before = read_run_before(session, as_of=as_of)
    asked = asked_of(read.inputs, as_of=as_of)
    enter("forecasting")
    with chosen_executor() as executor:
        made = forecast(asked.plant, executor=executor)
    enter("explaining")
    results = _rows(made, asked, _descriptions(read.inputs))
    results["findings"] = _finding_rows(made, asked, read.history, waiting, undescribed)
    changes = [] if before is None else change_rows(made, asked, before)
    cases = packed_cases(made, asked.stock, history_days=asked.history_days)
    enter("storing")
    with write_session(engines) as session:
        runs.store_results(session, run_id, results)
        runs.store_changes(session, run_id, changes)
        run_inputs.store_input(session, digest=read.digest, content=read.packed)
        stock_cases.store_cases(session, run_id=run_id, content=cases)
        runs.finish_run(
            session,
            run_id,
            finished_at=now(),
            input_digest=read.digest,
            horizon_ends_on=horizon(as_of),
            method=METHOD,
            counts={
                "valves": len(asked.register.histories),
                "lives": len(made.fleet.lives),
                "failure_models": len(results["failure_models"]),
                "lines_to_order": sum(bool(row["proposed_quantity"]) for row in results["reorder_points"]),
                "findings": len(results["findings"]),
            },
        )
        run_inputs.drop_old_inputs(session)
        stock_cases.drop_old_cases(session)


def _descriptions(inputs: Inputs) -> dict[str, str]:
    return {one.code: one.description for one in inputs.service_classes if one.description}


def _finding_rows(
    made: Forecast,
    asked: Asked,
    history: ReadHistory,
    waiting: Sequence[UnplacedEvent],
    undescribed: Sequence[tuple[str, str]],
) -> list[dict[str, object]]:
    """Lay out what can't be true or can't be used, with what it does to the forecast."""
    as_of, records, register = asked.as_of, asked.inputs, asked.register
    findings = (
        *untagged_findings(waiting, history.valves),
        *tag_findings(history.valves, history.events),
        *young_record_findings(records.areas, history.valves, history.events, as_of=as_of),
        *register.findings,
        *made.fleet.findings,
        *dead_stock(made, records, register, asked.stock, as_of=as_of),
    )
    effects = effects_of_findings(
        findings,
        register.histories,
        made.lifetimes,
        kits_per_year=kits_per_year(made),
        as_of=as_of.toordinal(),
    )
    return list(finding_rows(findings, undescribed, subjects_of(history.valves, history.events), effects))


def _rows(made: Forecast, asked: Asked, descriptions: dict[str, str]) -> dict[str, list[dict[str, object]]]:
    """Lay out the rows of every result table but the findings."""
    policies = {(one.service_class, one.maintainable_item): str(one.policy) for one in asked.inputs.policies}
    stops = next_stops(asked.inputs, asked.register, as_of=asked.as_of)
    return {
        "failure_models": list(failure_model_rows(made, descriptions, kits_told(asked.plant))),
        "demand": list(_demand_rows(made, asked)),
        "reorder_points": _reorder_rows(made, asked),
        "spend": list(spend_rows(made, asked.inputs.kits, as_of=asked.as_of)),
        "needs": list(need_rows(made, asked.stock, asked.register.storerooms, policies, stops=stops)),
        "turnarounds": plan_rows(made, asked),
    }


def _demand_rows(made: Forecast, asked: Asked) -> Iterator[dict[str, object]]:
    """Lay out demand: of the plant and its areas, storerooms and service classes."""
    as_of, records, register = asked.as_of, asked.inputs, asked.register
    periods, reasons = forecast_periods(as_of), shortfalls(made, without_turnaround(records, register, as_of=as_of))
    yield from demand_rows(made, periods, as_of=as_of, reasons=reasons)
    yield from turnaround_rows(made, records, as_of=as_of, reasons=reasons)
    yield from part_rows(made, periods, word="storeroom", as_of=as_of, reasons=reasons)
    yield from issued_rows(made, periods, as_of=as_of)
    yield from protection_rows(made, asked.stock, as_of=as_of, reasons=reasons)
    yield from part_rows(made, periods, word="service_class", as_of=as_of, reasons=reasons)


def _reorder_rows(made: Forecast, asked: Asked) -> list[dict[str, object]]:
    """Lay out reorder points; rows are read in the order they are stored: what runs out soonest first."""
    as_of, history_days = asked.as_of, asked.history_days
    unplaced = issue_warnings(asked.inputs, asked.stock, as_of=as_of)
    parts, decided = from_parts(asked.inputs, asked.stock, made.decisions), []
    elsewhere = stock_elsewhere(asked.stock, made.decisions)
    for one in asked.stock:
        key = (one.question.storeroom, one.question.kit)
        decision = made.decisions.get(key)
        urgency = 1.0 if decision is None else -decision.short_if_ordered_today
        alone = made.from_issues.get(key)
        if alone is None:
            row = reorder_row(one, decision, as_of=as_of, history_days=history_days)
        else:
            row = reorder_row_from_issues(one, decision, alone, as_of=as_of, unplaced=unplaced.get(one.question.kit))
        decided.append(((urgency, *key), with_elsewhere(with_parts(row, parts.get(key)), elsewhere[key])))
    return [row for _, row in sorted(decided, key=lambda pair: pair[0])]

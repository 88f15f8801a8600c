"""Compute a run: read the record, forecast, store what was found, all or nothing."""

from collections.abc import Sequence
from datetime import date
from hashlib import sha256
from os import getpid

import msgspec

from forecasting.errors import ForecastingError
from forecasting.finding_effects import effects_of_findings
from forecasting.histories import Finding
from forecasting.pipeline import Forecast, Plant, forecast
from models.base import Session, StorageError
from models.engine import Engines
from models.findings import UnplacedEvent
from models.queries import records as record_queries
from models.queries import runs, voids
from service.closings import ReadHistory, read_history
from service.db import read_session, write_session
from service.record_doubts import tag_findings, untagged_findings, young_record_findings
from service.schemas.records import RECORDS, Record, ServiceClassRecord
from service.settings import now
from service.translate import Records, Register, register_from_records
from service.translate_decisions import reorder_row, reorder_row_from_issues
from service.translate_findings import finding_rows, kits_per_year, subjects_of
from service.translate_issues import dead_stock, issue_histories, issue_warnings
from service.translate_results import (
    LOOKS,
    METHOD,
    demand_rows,
    failure_model_rows,
    forecast_periods,
    need_rows,
)
from service.translate_stock import AskedStock, Assumptions, stock_asked
from service.translate_turnarounds import opportunities, turnaround_days, without_turnaround

UNTOLD = "The forecast stopped on a fault of its own; the log of the process says which."

READ = (
    "areas",
    "policies",
    "kits",
    "design_kits",
    "valves",
    "events",
    "storerooms",
    "stock_settings",
    "stock",
    "orders",
    "issues",
    "turnarounds",
)


def _read(session: Session) -> tuple[Records, dict[str, str], str, ReadHistory]:
    """Read the record, the descriptions of service classes, the digest of all of it, and the events by key."""
    digest, files = sha256(), dict[str, list[Record]]()
    history = read_history(session)
    files |= {"valves": [*history.valves], "events": [event.record for event in history.events]}
    for file in (*READ, "service_classes"):
        if file not in files:
            files[file] = [msgspec.convert(row, RECORDS[file]) for row in record_queries.read_all(session, file)]
        digest.update(file.encode() + b"\n" + msgspec.json.encode(files[file], order="deterministic"))
    classes = files.pop("service_classes")
    said = {one.code: one.description for one in classes if isinstance(one, ServiceClassRecord) and one.description}
    return msgspec.convert(files, Records), said, digest.hexdigest(), history


def _plant(records: Records, register: Register, asked: tuple[AskedStock, ...], *, as_of: date) -> Plant:
    """Put everything the numerics ask for together."""
    intervals = {
        (policy.service_class, policy.maintainable_item): float(policy.interval_days)
        for policy in records.policies
        if policy.policy == "predetermined" and policy.interval_days
    }
    windows = {period.window(as_of) for period in forecast_periods(as_of)} | set(LOOKS.values())
    return Plant(
        as_of=as_of.toordinal(),
        histories=register.histories,
        designs=register.designs,
        design_items=register.design_items,
        intervals=intervals,
        windows=tuple(sorted(windows)),
        areas=register.areas,
        questions=tuple(one.question for one in asked),
        opportunities=opportunities(records),
        turnarounds=turnaround_days(records, as_of=as_of),
        issues=issue_histories(records, asked, as_of=as_of),
    )


def run_forecast(engines: Engines, *, run_id: int) -> None:
    """Compute a queued run and store its results, or mark it failed.

    Parameters
    ----------
    engines : Engines
        Of the database.
    run_id : int
        A queued run; this process claims it.

    Raises
    ------
    Exception
        Whatever stopped it, after the run is marked failed.
    """
    with write_session(engines) as session:
        as_of = runs.claim_run(session, run_id, started_at=now(), pid=getpid()).as_of
    try:
        _compute(engines, run_id, as_of=as_of)
    except Exception as error:
        # what isn't said in our own words may hold anything, so only the log has it
        told = str(error) if isinstance(error, ForecastingError | StorageError) else UNTOLD
        with write_session(engines) as session:
            runs.fail_run(session, run_id, finished_at=now(), error=told)
        raise


def _compute(engines: Engines, run_id: int, *, as_of: date) -> None:
    """Read, forecast, store."""
    with read_session(engines) as session:
        records, descriptions, digest, history = _read(session)
        undescribed, waiting = record_queries.undescribed(session), voids.held_aside(session)
    register = register_from_records(records, as_of=as_of)
    asked = stock_asked(records, register, as_of=as_of, assumed=Assumptions())
    made = forecast(_plant(records, register, asked, as_of=as_of))
    results = _rows(made, records, register, asked, descriptions, as_of=as_of)
    dead = tuple(dead_stock(made, records, register, asked, as_of=as_of))
    results["findings"] = _finding_rows(made, records, register, history, waiting, undescribed, dead, as_of=as_of)
    periods = forecast_periods(as_of)
    with write_session(engines) as session:
        runs.store_results(session, run_id, results)
        runs.finish_run(
            session,
            run_id,
            finished_at=now(),
            input_digest=digest,
            horizon_ends_on=max(period.ends_on for period in periods),
            method=METHOD,
            counts={
                "valves": len(register.histories),
                "lives": len(made.fleet.lives),
                "failure_models": len(results["failure_models"]),
                "lines_to_order": sum(bool(row["proposed_quantity"]) for row in results["reorder_points"]),
                "findings": len(results["findings"]),
            },
        )


def _finding_rows(
    made: Forecast,
    records: Records,
    register: Register,
    history: ReadHistory,
    waiting: Sequence[UnplacedEvent],
    undescribed: Sequence[tuple[str, str]],
    dead: Sequence[Finding],
    *,
    as_of: date,
) -> list[dict[str, object]]:
    """Lay out what can't be true or can't be used, with what it does to the forecast."""
    findings = (
        *untagged_findings(waiting, history.valves),
        *tag_findings(history.valves, history.events),
        *young_record_findings(records.areas, history.valves, history.events, as_of=as_of),
        *register.findings,
        *made.fleet.findings,
        *dead,
    )
    effects = effects_of_findings(
        findings,
        register.histories,
        made.lifetimes,
        kits_per_year=kits_per_year(made),
        as_of=as_of.toordinal(),
    )
    return list(finding_rows(findings, undescribed, subjects_of(history.valves, history.events), effects))


def _rows(
    made: Forecast,
    records: Records,
    register: Register,
    asked: tuple[AskedStock, ...],
    descriptions: dict[str, str],
    *,
    as_of: date,
) -> dict[str, list[dict[str, object]]]:
    """Lay out the rows of every result table but the findings."""
    begins = [history.records_begin for history in register.histories]
    history_days = float(as_of.toordinal() - min(begins)) if begins else 0.0
    policies = {(one.service_class, one.maintainable_item): str(one.policy) for one in records.policies}
    unplaced = issue_warnings(records, asked, as_of=as_of)
    decided = []
    for one in asked:
        key = (one.question.storeroom, one.question.kit)
        decision = made.decisions.get(key)
        # rows are read in the order they are stored: what runs out soonest first
        urgency = 1.0 if decision is None else -decision.short_if_ordered_today
        alone = made.from_issues.get(key)
        if alone is None:
            row = reorder_row(one, decision, as_of=as_of, history_days=history_days)
        else:
            row = reorder_row_from_issues(one, decision, alone, as_of=as_of, unplaced=unplaced.get(one.question.kit))
        decided.append(((urgency, *key), row))
    return {
        "failure_models": list(failure_model_rows(made, descriptions)),
        "demand": list(
            demand_rows(
                made, forecast_periods(as_of), as_of=as_of, left_out=without_turnaround(records, register, as_of=as_of)
            )
        ),
        "reorder_points": [row for _, row in sorted(decided, key=lambda pair: pair[0])],
        "needs": list(need_rows(made, asked, register.storerooms, policies)),
    }

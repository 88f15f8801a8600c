"""A run on a real database: the same record gives the same bytes, on either database, in any order of rows."""

import os
import shutil
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import msgspec
import pytest
from sqlalchemy import Table, func, select

from forecasting.pipeline import Forecast, Plant, forecast
from models.base import Conflict
from models.engine import Engines, open_engines
from models.queries import run_log, runs
from models.runs import Run
from service.db import read_session, write_session
from service.settings import now
from service.use_cases.import_files import import_files
from service.use_cases.request_run import request_run
from service.use_cases.run_forecast import UNTOLD, run_forecast

AS_OF = date(2026, 3, 1)
TODAY = date(2026, 3, 1)
LATER = "done_on > '2020-12-31'"


def rebuilds(tag: str, *days: str, said: str = "failure,,") -> list[str]:
    """Rows of events.csv: reason, what was renewed, kits used."""
    return [f"{tag},{day},rebuild,{said}" for day in days]


FILES = {
    "areas.csv": ["code,records_begin_on,storeroom", "U100,2014-01-01,MAIN", "U200,,EAST"],
    "storerooms.csv": ["code,review_period_days", "MAIN,14", "EAST,7"],
    "service_classes.csv": ["code,description", "wet,two duties in one", "dry,"],
    "kits.csv": [
        "code,renews,unit_cost,lead_time_days,lead_time_sd_days,superseded_by,old_fits_new_need",
        "KP,packing,80.10,30,6,,",
        "KT,packing|trim,950,60,12,KT-NEW,true",
        "KT-NEW,packing|trim,990.25,60,12,,",
    ],
    "design_kits.csv": [
        "design,maintainable_item,kit,qty,on_opening",
        "GLOBE-2,packing,KP,1,true",
        "GLOBE-2,trim,KT,1,",
    ],
    "policies.csv": [
        "service_class,maintainable_item,policy,interval_days",
        "wet,packing,predetermined,1200",
        "dry,trim,opportunistic,2000",
    ],
    "valves.csv": [
        "tag,design,service_class,area,installed_on,consequence,removed_on,last_renewed_on",
        "FV-1,GLOBE-2,wet,U100,2014-05-01,stops,,",
        "FV-2,GLOBE-2,wet,U100,2015-02-01,curtails,,",
        "FV-3,GLOBE-2,wet,U100,,tolerable,,packing:2012-01-01",
        "FV-4,GLOBE-2,dry,U200,2010-01-01,,,",
        "FV-5,ANGLE-1,dry,U200,2016-01-01,,,",
        "FV-6,ANGLE-1,dry,U200,2016-01-01,,2020-01-01,",
        "FV-7,GLOBE-2,dry,,2020-01-01,,,",
    ],
    "events.csv": [
        "tag,done_on,action,reason,renewed,kits_used",
        *rebuilds("FV-1", "2016-01-10", "2018-03-01", "2020-07-15", "2023-01-20", said="failure,packing,KP:1"),
        *rebuilds("FV-2", "2017-05-05", "2019-09-09", "2022-11-30", "2025-04-01", said="failure,packing,KP:1"),
        *rebuilds("FV-1", "2017-02-03", "2021-10-10", "2024-06-01", said="condition,,KT:1"),
        *rebuilds("FV-2", "2016-06-06", "2021-01-01", said="failure,trim,"),
        *rebuilds("FV-3", "2019-01-01", said="planned,,KX:1"),
        *rebuilds("FV-4", "2015-03-03", "2019-12-24", "2024-02-29", said="failure,,"),
        *rebuilds("FV-5", "2018-08-08", "2018-08-08", "2022-02-02", said=",,"),
    ],
    "stock.csv": ["storeroom,kit,on_hand", "MAIN,KP,1", "MAIN,KT,1", "MAIN,LEFT,4"],
    "stock_settings.csv": ["storeroom,kit,rule,target,floor_qty,present_reorder_point", "MAIN,KP,fill_rate,0.95,1,2"],
    "orders.csv": [
        "ref,line,storeroom,kit,ordered_on,due_on,qty",
        "PO-1,1,MAIN,KT,2026-01-01,2026-02-15,2",
        "PO-2,1,MAIN,KP,2026-02-01,2027-02-01,3",
    ],
}


def of_valves(files: dict[str, list[str]], *tags: str, without: Sequence[str] = ()) -> dict[str, list[str]]:
    """Leave only these valves in a plant, and out of its files what begins with a code."""
    some = {}
    for name, (header, *rows) in files.items():
        columns, kept = header.split(","), [row for row in rows if not row.startswith(tuple(without))]
        if "tag" in columns:
            kept = [row for row in kept if row.split(",")[columns.index("tag")] in tags]
        some[name] = [header, *kept]
    return some


def bring_in(engines: Engines, files: dict[str, list[str]]) -> None:
    import_files(engines, {name: BytesIO("\n".join(rows).encode()) for name, rows in files.items()}, today=TODAY)


def computed(engines: Engines, *, as_of: date = AS_OF) -> Run:
    run_id = request_run(engines, as_of=as_of)
    run_forecast(engines, run_id=run_id)
    return closed(engines, run_id)


def closed(engines: Engines, run_id: int) -> Run:
    with read_session(engines) as session:
        return run_log.get_run(session, run_id)


def results(engines: Engines, run_id: int) -> dict[str, list[dict[str, Any]]]:
    """Every row a run stored, in the order it was stored, without ids."""
    found = {}
    with engines.reader.connect() as connection:
        for name, model in runs.RESULT_TABLES.items():
            table: Table = model.metadata.tables[str(model.__tablename__)]
            rows = connection.execute(select(table).where(table.c.run_id == run_id).order_by(table.c.id)).mappings()
            found[name] = [
                {column: value for column, value in row.items() if column not in {"id", "run_id"}} for row in rows
            ]
    return found


def as_bytes(engines: Engines, run: Run) -> bytes:
    """What a run found, told apart by every digit."""
    told = {"digest": run.input_digest, "counts": run.counts, "results": results(engines, run.id)}
    return msgspec.json.encode(told, order="deterministic")


def stored_rows(engines: Engines) -> int:
    with engines.reader.connect() as connection:
        counts = [
            connection.execute(
                select(func.count()).select_from(model.metadata.tables[str(model.__tablename__)])
            ).scalar()
            for model in runs.RESULT_TABLES.values()
        ]
    return sum(count or 0 for count in counts)


def test_the_same_record_gives_the_same_bytes_again_on_either_database_in_any_order_of_rows(
    engines: Engines, sqlite_engines: Engines
) -> None:
    """Twice on one database; and on another, an SQLite file, into which every file came backwards."""
    bring_in(engines, FILES)
    first, again = computed(engines), computed(engines)
    assert as_bytes(engines, again) == as_bytes(engines, first)
    backwards = {name: [rows[0], *rows[:0:-1]] for name, rows in reversed(FILES.items())}
    bring_in(sqlite_engines, backwards)
    assert as_bytes(sqlite_engines, computed(sqlite_engines)) == as_bytes(engines, first)


Found = dict[str, list[dict[str, Any]]]


@pytest.fixture(scope="module")
def finished(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Run, Found]:
    """Give a run of the small plant and what it stored."""
    path = tmp_path_factory.mktemp("found") / "record.sqlite"
    shutil.copyfile(migrated_file, path)
    engines = open_engines(f"sqlite:///{path}")
    bring_in(engines, FILES)
    run = computed(engines)
    stored = results(engines, run.id)
    engines.reader.dispose()
    return run, stored


@pytest.fixture
def found(finished: tuple[Run, Found]) -> Found:
    """Give what the run of the small plant stored."""
    return finished[1]


def test_a_finished_run_says_what_it_read_and_what_it_found(finished: tuple[Run, Found]) -> None:
    run, found = finished
    assert (run.status, run.error, run.method) == ("finished", None, "from valves, over 12 sets of lifetimes")
    assert run.input_digest is not None
    assert len(run.input_digest) == 64
    assert run.horizon_ends_on == date(2028, 3, 31)
    assert run.counts["valves"] == 7
    assert run.counts["failure_models"] == len(found["failure_models"])
    assert run.counts["findings"] == len(found["findings"])
    assert run.counts["lines_to_order"] == sum(row["proposed_quantity"] > 0 for row in found["reorder_points"])


def test_reorder_points_come_most_urgent_first(found: Found) -> None:
    """And what can't be computed last, each with its reason."""
    rows = found["reorder_points"]
    chances = [row["details"].get("short_if_ordered_today", -1.0) for row in rows]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] > 0.0
    last = rows[-1]
    assert (last["kit"], last["status"], last["reason"]) == (
        "LEFT",
        "not_computed",
        "no valve this storeroom serves takes this kit",
    )


def test_stock_and_orders_of_a_superseded_kit_count_for_its_successor(found: Found) -> None:
    row = next(row for row in found["reorder_points"] if (row["storeroom"], row["kit"]) == ("MAIN", "KT-NEW"))
    assert row["position"] == 1 + 2
    assert row["reason"].startswith("position 3 (1 on hand; 2 on order, 2 of them overdue), reorder point ")
    assert not [other for other in found["reorder_points"] if other["kit"] == "KT"]


def test_a_setting_and_late_supply_are_in_the_answer(found: Found) -> None:
    row = next(row for row in found["reorder_points"] if (row["storeroom"], row["kit"]) == ("MAIN", "KP"))
    assert (row["rule"], row["target"], row["present_reorder_point"]) == ("fill_rate", 0.95, 2)
    assert row["fill_rate"] >= 0.95
    assert "3 more due too late" in row["reason"]


def test_designs_areas_and_storerooms_nobody_described_still_order(found: Found) -> None:
    asked = {(row["storeroom"], row["kit"]) for row in found["reorder_points"]}
    assert {("EAST", "rebuild ANGLE-1"), ("EAST", "KP"), ("unassigned", "KT-NEW")} <= asked
    assert {row["area"] for row in found["demand"]} == {"", "U100", "U200", "no area"}


def test_what_a_forecast_leaves_out_is_said_of_every_kit_it_is_true_of(
    found: Found,
) -> None:
    reasons = {(row["kit"], row["status"], row["reason"]) for row in found["demand"]}
    assert {kit: (status, reason) for kit, status, reason in reasons} == {
        "KP": ("forecast", None),
        "KT-NEW": (
            "incomplete",
            "no turnaround to come is in the record of U200, no area: "
            "what its policy leaves to turnarounds is left out",
        ),
        "rebuild ANGLE-1": ("forecast", None),
    }


def test_a_turnaround_of_its_area_takes_what_is_old_enough_and_stays_out_of_the_reorder_point(
    found: Found, engines: Engines
) -> None:
    """FV-4's trim isn't 2000 days old at the first one, and is at the second unless it failed before."""
    stops = ["code,areas,starts_on,ends_on", "TA-26,U200,2026-06-01,2026-06-20", "TA-27,U200,2027-11-01,2027-11-20"]
    policies = [*FILES["policies.csv"][:-1], "dry,trim,opportunistic,1300"]
    bring_in(engines, {**FILES, "turnarounds.csv": stops, "policies.csv": policies})
    rows = results(engines, computed(engines).id or 0)
    trims = [row for row in rows["demand"] if (row["area"], row["kit"], row["bucket"]) == ("U200", "KT-NEW", "month")]
    stopped = {str(row["starts_on"]): row for row in trims if row["turnaround_mean"] > 0.0}
    assert list(stopped) == ["2027-11-01"]
    (row,) = stopped.values()
    assert row["mean"] == pytest.approx(row["unplanned_mean"] + row["turnaround_mean"], rel=1e-4)
    assert 0.5 < row["turnaround_mean"] <= 1.0
    assert {row["reason"] for row in trims} == {
        "no turnaround to come is in the record of no area: what its policy leaves to turnarounds is left out"
    }
    # the packing is opened with the trim, whose kit covers it
    same = [
        {row["reorder_point"] for row in run["reorder_points"] if (row["storeroom"], row["kit"]) == ("EAST", "KP")}
        for run in (found, rows)
    ]
    assert same[0] == same[1]


def test_what_had_to_be_assumed_is_among_the_findings(found: Found) -> None:
    kinds = {(row["kind"], row["record_key"]) for row in found["findings"]}
    assert {
        ("named_not_described", "ANGLE-1"),
        ("records_begin_assumed", "U200"),
        ("records_begin_assumed", "no area"),
        ("kit_does_not_fit", "FV-3 2019-01-01"),
        ("reason_assumed", "FV-5 2018-08-08"),
        ("unknown_start", "FV-4"),
    } <= kinds


def test_a_policy_takes_planned_kits_of_its_class_only(found: Found) -> None:
    planned: dict[tuple[str, str], float] = defaultdict(float)
    for row in found["demand"]:
        planned[row["area"], row["kit"]] += row["planned_mean"]
    assert planned["U100", "KP"] > 0.0
    assert planned["U100", "KT-NEW"] == planned["U200", "KP"] == 0.0
    assert {row["policy"] for row in found["needs"] if row["tag"] == "FV-1"} == {"predetermined", "corrective"}


def test_a_removed_valve_needs_nothing(found: Found) -> None:
    assert {row["tag"] for row in found["needs"]} == {f"FV-{number}" for number in (1, 2, 3, 4, 5, 7)}


def test_an_earlier_cut_off_reads_no_later_event(sqlite_engines: Engines) -> None:
    """The record as of the end of 2020, with and without what happened afterwards."""
    bring_in(sqlite_engines, FILES)
    early = date(2020, 12, 31)
    with_later = results(sqlite_engines, computed(sqlite_engines, as_of=early).id)
    with sqlite_engines.writer.begin() as connection:
        for table in ("event_renewed", "event_kits"):
            connection.exec_driver_sql(f"DELETE FROM {table} WHERE event_id IN (SELECT id FROM events WHERE {LATER})")
        connection.exec_driver_sql(f"DELETE FROM events WHERE {LATER}")
    without = results(sqlite_engines, computed(sqlite_engines, as_of=early).id)
    assert with_later == without


def test_a_record_of_nothing_gives_a_run_of_nothing(engines: Engines) -> None:
    run = computed(engines)
    assert (run.status, run.counts["valves"], stored_rows(engines)) == ("finished", 0, 0)


def test_a_run_that_fails_is_marked_failed_with_a_reason_and_stores_nothing(engines: Engines) -> None:
    """A cut-off two years before the end of the calendar: there are no periods to forecast."""
    bring_in(engines, FILES)
    with write_session(engines) as session:
        run_id = runs.create_run(
            session, as_of=date(9999, 6, 30), requested_at=now(), code_version="0.1.0", pid=os.getpid()
        ).id
    with pytest.raises(ValueError, match="year"):
        run_forecast(engines, run_id=run_id)
    run = closed(engines, run_id)
    assert (run.status, run.error, run.input_digest) == ("failed", UNTOLD, None)
    assert run.finished_at is not None
    assert stored_rows(engines) == 0


def test_what_is_wrong_with_the_record_is_told_in_our_own_words(
    sqlite_engines: Engines, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A history no import would let in: the numerics refuse it by name."""
    bring_in(sqlite_engines, FILES)

    def twice(plant: Plant, *, executor: Executor) -> Forecast:
        return forecast(replace(plant, histories=plant.histories * 2), executor=executor)

    monkeypatch.setattr("service.use_cases.run_forecast.forecast", twice)
    run_id = request_run(sqlite_engines, as_of=AS_OF)
    with pytest.raises(ValueError, match="`histories` must name each valve once, got FV-1 twice"):
        run_forecast(sqlite_engines, run_id=run_id)
    run = closed(sqlite_engines, run_id)
    assert (run.status, run.error) == ("failed", "`histories` must name each valve once, got FV-1 twice")


def test_a_run_cancelled_while_it_computes_stores_nothing_and_stays_cancelled(
    engines: Engines, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring_in(engines, {name: rows for name, rows in FILES.items() if name in {"valves.csv", "events.csv"}})
    run_id = request_run(engines, as_of=AS_OF)

    def slow(plant: Plant, *, executor: Executor) -> Forecast:
        with write_session(engines) as session:
            runs.cancel_run(session, run_id, finished_at=now())
        return forecast(plant, executor=executor)

    monkeypatch.setattr("service.use_cases.run_forecast.forecast", slow)
    with pytest.raises(Conflict, match=f"run {run_id} is cancelled, not running"):
        run_forecast(engines, run_id=run_id)
    assert closed(engines, run_id).status == "cancelled"
    assert stored_rows(engines) == 0


def test_a_run_another_process_computes_is_left_alone(engines: Engines) -> None:
    run_id = request_run(engines, as_of=AS_OF)
    with write_session(engines) as session:
        runs.claim_run(session, run_id, started_at=now() - timedelta(minutes=1), pid=os.getpid())
    with pytest.raises(Conflict, match=f"run {run_id} is running, not queued"):
        run_forecast(engines, run_id=run_id)
    assert closed(engines, run_id).status == "running"

"""Demand of exchanged valves by the issues of the record: it is dated where the kits leave the shelf."""

from datetime import date, timedelta
from io import BytesIO

import pytest
from sqlalchemy import select

from forecasting.exchanges import ExchangeTaking
from models.engine import Engines
from models.runs import RunDemand
from service.db import read_session
from service.use_cases.import_files import import_files
from service.use_cases.read_exchanges import read_exchanges
from service.use_cases.request_run import request_run
from service.use_cases.run_forecast import run_forecast

AS_OF = date(2026, 3, 1)
REGISTER = {
    "areas.csv": "code,records_begin_on\nU100,2014-01-01\n",
    "kits.csv": "code,renews\nTRIM,trim\n",
    "design_kits.csv": "design,maintainable_item,kit,qty\nGLOBE,trim,TRIM,1\n",
    "valves.csv": "tag,design,service_class,area,installed_on\n"
    + "".join(f"V-{number},GLOBE,wet,U100,2014-01-01\n" for number in range(4)),
}
EXCHANGED = [
    (f"V-{number}", date(2014, 6, 1) + timedelta(days=780 * turn + 90 * number))
    for number in range(4)
    for turn in range(6)
    if date(2014, 6, 1) + timedelta(days=780 * turn + 90 * number) <= AS_OF
]
Months = dict[date, tuple[float, str | None]]


def events(action: str) -> str:
    rows = [f"{tag},{day},{action},failure\n" for tag, day in EXCHANGED]
    return "tag,done_on,action,reason\n" + "".join(rows)


def issues(delay: int) -> str:
    days = [(tag, day + timedelta(days=delay)) for tag, day in EXCHANGED]
    rows = [f"I{n},TRIM,{day},1,{tag}\n" for n, (tag, day) in enumerate(days) if day <= AS_OF]
    return "ref,kit,issued_on,qty,tag\n" + "".join(rows)


def months(engines: Engines, files: dict[str, str]) -> Months:
    """Bring files in, compute a run, and give the mean of each month and why it isn't whole."""
    import_files(engines, {name: BytesIO(text.encode()) for name, text in files.items()}, today=AS_OF)
    run = request_run(engines, as_of=AS_OF)
    run_forecast(engines, run_id=run)
    table = RunDemand.metadata.tables["run_demand"]
    wanted = (table.c.run_id == run, table.c.kit == "TRIM", table.c.area == "", table.c.bucket == "month")
    columns = (table.c.starts_on, table.c.mean, table.c.reason)
    with read_session(engines) as session:
        return {day: (mean, reason) for day, mean, reason in session.execute(select(*columns).where(*wanted))}


def test_kits_issued_sixty_days_later_are_demand_sixty_days_later(sqlite_engines: Engines) -> None:
    """And an exchange of 9 February whose kit hasn't left the shelf is owed it 80 days later, on 30 April."""
    early = months(sqlite_engines, {**REGISTER, "events.csv": events("exchange"), "issues.csv": issues(20)})
    late = months(sqlite_engines, {"issues.csv": issues(80)})
    assert {reason for _, reason in (*early.values(), *late.values())} == {None}
    march, april, may, june = sorted(early)[:4]
    assert [late[month][0] for month in (march, april)] == pytest.approx([0.0, 0.0], abs=1e-6)
    # begun on 20 March the one, on 20 May the other: 10 days of March, 11 of May, in which the hazard grows a little
    assert 0.0 < early[march][0] < early[april][0]
    assert 0.0 < late[may][0] < late[june][0]
    assert late[may][0] / 11 == pytest.approx(early[march][0] / 10, rel=0.02)
    waiting = {"events.csv": "tag,done_on,action,reason\nV-0,2026-02-09,exchange,failure\n"}
    assert months(sqlite_engines, waiting)[april][0] == pytest.approx(1.0, abs=1e-6)


def test_without_issues_the_kit_is_taken_on_the_day_and_that_is_said(sqlite_engines: Engines) -> None:
    rows = months(sqlite_engines, {**REGISTER, "events.csv": events("exchange")})
    assert {reason for _, reason in rows.values()} == {
        "no kit was issued for an exchange a year old or older: taken on the day of the exchange"
    }
    assert rows[date(2026, 3, 2)][0] > 0.0


def test_issues_do_not_move_demand_where_nothing_was_exchanged(sqlite_engines: Engines) -> None:
    before = months(sqlite_engines, {**REGISTER, "events.csv": events("rebuild")})
    assert months(sqlite_engines, {"issues.csv": issues(80)}) == before


def test_exchanges_are_read_with_the_days_of_their_issues_and_the_kits_they_take(engines: Engines) -> None:
    record = {
        **REGISTER,
        "events.csv": "tag,done_on,action\nV-0,2020-05,exchange\nV-1,2021-01-10,exchange\nV-2,2026-05-01,exchange\n",
        "issues.csv": "ref,kit,issued_on,qty,tag\nI1,TRIM,2020-05-04,1,V-0\nI2,TRIM,2021-03-01,1,V-0\n",
    }
    import_files(engines, {name: BytesIO(text.encode()) for name, text in record.items()}, today=date(2026, 6, 1))
    with read_session(engines) as session:
        read = read_exchanges(session, as_of=AS_OF)
    may, january = date(2020, 5, 4).toordinal(), date(2021, 1, 10).toordinal()
    # an exchange of May took its kit on the 4th, so it was done by then; what is after the cut-off isn't read
    assert read == {
        "V-0": (ExchangeTaking(day=may, issued=(may,), kits=("TRIM",)),),
        "V-1": (ExchangeTaking(day=january, issued=(), kits=("TRIM",)),),
        "V-2": (),
    }

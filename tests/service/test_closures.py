"""Closed days, expediting and cancelling in what a turnaround wants ordered, worked out by hand on a calendar."""

from decimal import Decimal
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient
from scipy import stats

from models.engine import Engines
from service.db import read_session
from service.use_cases import read_turnaround
from tests.service.test_run_forecast import bring_in, computed
from tests.service.turnaround_record import WET_FILES

EASTER = ["code,name,starts_on,ends_on", "EASTER-26,works holiday,2026-04-01,2026-04-14", "PAST,,2020-01-01,2020-02-01"]


def with_terms(expedited: str) -> dict[str, list[str]]:
    """Say of KT how soon it comes when expedited, for how much, and what cancelling one costs."""
    header, *rows = WET_FILES["kits.csv"]
    terms = {"KT": f"{expedited},450.00,220.50"}
    return WET_FILES | {
        "kits.csv": [
            f"{header},expedited_lead_time_days,expediting_cost,cancelling_cost",
            *(f"{row},{terms.get(row[:2], ',,')}" for row in rows),
        ],
        "closures.csv": EASTER,
    }


@pytest.mark.parametrize(
    ("expedited", "there_on", "told"),
    [
        ("120", "2026-07-13", "2026-07-13, in time"),
        ("180", "2026-09-11", "2026-09-11, 4 days too late"),
    ],
)
def test_closed_days_pass_and_what_expediting_and_cancelling_cost_is_said(
    sqlite_engines: Engines, expedited: str, there_on: str, told: str
) -> None:
    """KT takes 226 days in nine of ten cases and is wanted on 7 September: without the fortnight, by 23 January."""
    bring_in(sqlite_engines, with_terms(expedited))
    computed(sqlite_engines)
    with read_session(sqlite_engines) as session:
        plan = read_turnaround.stored(session, "TA-26", None).plan
    row: dict[str, Any] = msgspec.to_builtins(next(one for one in plan.kits if one.kit == "KT"))
    assert (row["order_by"], row["days_late"]) == ("2026-01-09", 51)
    # from 1 March to 7 September 190 days, 14 of them closed; gamma of mean 200 and standard deviation 20
    assert row["arrives_in_time"] == pytest.approx(stats.gamma.cdf(176, 100, scale=2), rel=1e-4)
    assert (row["expedited_there_on"], row["expediting_cost"]) == (there_on, "450.00")
    unused = Decimal(row["surplus_cost"]) / Decimal(row["unit_cost"])
    assert Decimal(row["cancelling_cost"]) == pytest.approx(unused * Decimal("220.50"), abs=Decimal("0.01"))
    for said in (f"; expedited for 450.00 it would be there on {told}", f"expected to cost {row['cancelling_cost']}"):
        assert said in row["reason"]
    (days,) = [said for said in plan.budget.basis.conventions if "order-by dates" in said]
    assert days.endswith("delivered: EASTER-26 (2026-04-01 to 2026-04-14)")


def test_a_closure_is_a_record_like_any_other(client: TestClient[Any]) -> None:
    made = client.post("/v1/closures", json={"code": "W-26", "starts_on": "2026-12-24", "ends_on": "2027-01-03"})
    assert made.status_code == 201, made.text
    assert client.get("/v1/closures/w-26").json() == {
        **{"code": "W-26", "name": None, "starts_on": "2026-12-24", "ends_on": "2027-01-03"},
    }
    wrong = client.post("/v1/closures", json={"code": "X", "starts_on": "2026-12-24", "ends_on": "2026-12-01"})
    assert wrong.status_code == 400
    assert "a day not before starts_on" in wrong.text
    missing = client.post(
        "/v1/imports/closures", content="code,starts_on\nX,2026-12-24", headers={"Content-Type": "text/csv"}
    )
    assert missing.status_code == 400
    assert "ends_on" in missing.text

"""From a forecast to stored rows: calendar periods, six digits, sentences a storeroom reads at six in the morning."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from functools import cache
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.histories import Finding
from forecasting.pipeline import Forecast, Plant, forecast
from forecasting.service_levels import ServiceLevels
from forecasting.stock_positions import StockPosition
from forecasting.stocking import StockDecision
from forecasting.trends import TrendTests
from service.result_rows import round6
from service.schemas.records import AreaRecord, DesignKitRecord, EventRecord, KitRecord, StoreroomRecord, ValveRecord
from service.translate import Records, Register, register_from_records
from service.translate_decisions import reorder_row
from service.translate_demand import Period, demand_rows, forecast_periods, shortfalls
from service.translate_findings import finding_rows, subjects_of
from service.translate_results import LOOKS, failure_model_rows, need_rows
from service.translate_stock import AskedStock, Assumptions, stock_asked
from tests.strategies import CI

AS_OF = date(2026, 3, 1)
Row = Mapping[str, Any]


def of_bucket(periods: tuple[Period, ...], bucket: str) -> list[Period]:
    return [period for period in periods if period.bucket == bucket]


@pytest.mark.parametrize(
    ("as_of", "first", "last", "months"),
    [
        (date(2026, 3, 1), (date(2026, 3, 2), date(2026, 3, 31)), (date(2028, 3, 1), date(2028, 3, 31)), 25),
        (date(2026, 12, 31), (date(2027, 1, 1), date(2027, 1, 31)), (date(2028, 12, 1), date(2028, 12, 31)), 24),
        (date(2026, 12, 1), (date(2026, 12, 2), date(2026, 12, 31)), (date(2028, 12, 1), date(2028, 12, 31)), 25),
        (date(2022, 2, 28), (date(2022, 3, 1), date(2022, 3, 31)), (date(2024, 2, 1), date(2024, 2, 29)), 24),
        (date(2024, 2, 28), (date(2024, 2, 29), date(2024, 2, 29)), (date(2026, 2, 1), date(2026, 2, 28)), 25),
        (date(2025, 1, 31), (date(2025, 2, 1), date(2025, 2, 28)), (date(2027, 1, 1), date(2027, 1, 31)), 24),
        (date(2025, 11, 30), (date(2025, 12, 1), date(2025, 12, 31)), (date(2027, 11, 1), date(2027, 11, 30)), 24),
    ],
    ids=str,
)
def test_months_are_calendar_months_up_to_two_years_ahead(
    as_of: date, first: tuple[date, date], last: tuple[date, date], months: int
) -> None:
    """The first one cut off at the data cut-off; leap years and Decembers too."""
    made = of_bucket(forecast_periods(as_of), "month")
    assert (made[0].starts_on, made[0].ends_on) == first
    assert (made[-1].starts_on, made[-1].ends_on) == last
    assert len(made) == months


@settings(CI, max_examples=60)
@given(as_of=st.dates(min_value=date(1999, 1, 1), max_value=date(2100, 1, 1)))
def test_periods_of_a_kind_follow_one_another_from_tomorrow_to_the_same_day(as_of: date) -> None:
    periods = forecast_periods(as_of)
    horizon = of_bucket(periods, "month")[-1].ends_on
    assert (horizon + timedelta(days=1)).day == 1
    assert 23 <= (horizon.year - as_of.year) * 12 + horizon.month - as_of.month <= 24
    for bucket, length in (("week", 0), ("month", 1), ("quarter", 3), ("year", 12)):
        made = of_bucket(periods, bucket)
        windows = [period.window(as_of) for period in made]
        assert windows[0][0] == 0.0
        assert all(before[1] == after[0] for before, after in pairwise(windows))
        if not length:
            assert (len(made), {end - start for start, end in windows}) == (13, {7.0})
            continue
        assert made[-1].ends_on == horizon
        assert all(period.starts_on.day == 1 and (period.starts_on.month - 1) % length == 0 for period in made[1:])
        assert all(period.starts_on <= period.ends_on for period in made)


def test_a_window_runs_from_the_day_before_to_the_end_of_the_last_day() -> None:
    """Both dates inclusive: the second of March to the third is two days."""
    assert Period(bucket="week", starts_on=date(2026, 3, 2), ends_on=date(2026, 3, 3)).window(AS_OF) == (0.0, 2.0)


@pytest.mark.parametrize(
    ("value", "kept"),
    [(None, None), (0.0, 0.0), (1234567.0, 1234570.0), (0.123456789, 0.123457), (1e-9, 1e-9), (2 / 3, 0.666667)],
)
def test_published_numbers_keep_six_significant_digits(value: float | None, kept: float | None) -> None:
    assert round6(value) == kept


def rebuild(tag: str, done_on: str, **said: Any) -> EventRecord:
    plain: dict[str, Any] = {"tag": tag, "done_on": done_on, "action": "rebuild", "reason": "failure"}
    return EventRecord(**(plain | said))


WET = [f"{year}-{month:02}-01" for year, month in ((2016, 3), (2017, 8), (2019, 1), (2020, 11), (2022, 2), (2024, 5))]

TRIMS = ("2016-09-01", "2018-06-01", "2019-12-01", "2021-06-01", "2023-03-01", "2025-01-01")


@cache
def small_plant() -> tuple[Register, tuple[AskedStock, ...], Forecast]:
    """Two wet valves with a packing and a trim in U100, one of a class never seen to fail in U200."""
    records = Records(
        areas=[AreaRecord(code=code, records_begin_on=date(2015, 1, 1), storeroom="MAIN") for code in ("U100", "U200")],
        kits=[
            KitRecord(code="KP", renews=["packing"]),
            KitRecord(code="KT", renews=["packing", "trim"], lead_time_days=45),
        ],
        design_kits=[
            DesignKitRecord(design="D", maintainable_item="packing", kit="KP"),
            DesignKitRecord(design="D", maintainable_item="trim", kit="KT"),
        ],
        valves=[
            ValveRecord(tag="FV-1", design="D", service_class="wet", area="U100", installed_on="2015-01-01"),
            ValveRecord(tag="FV-2", design="D", service_class="wet", area="U100", installed_on="2010-01-01"),
            ValveRecord(tag="FV-3", design="D", service_class="new", area="U200", installed_on="2026-03-01"),
        ],
        events=[
            *(rebuild("FV-1", day, renewed=["packing"]) for day in WET),
            *(rebuild("FV-1", day, renewed=["packing", "trim"], as_found={"trim": "failed"}) for day in TRIMS),
            rebuild("FV-2", "2023-01-01", renewed=["packing"]),
            rebuild("FV-2", "2023-01-01", renewed=["packing"]),
            EventRecord(tag="FV-1", done_on="2026-02-20", action="inspect", as_found={"packing": "failed"}),
        ],
        storerooms=[StoreroomRecord(code="MAIN", review_period_days=14)],
    )
    register = register_from_records(records, as_of=AS_OF)
    asked = stock_asked(records, register, as_of=AS_OF, assumed=Assumptions())
    windows = {period.window(AS_OF) for period in forecast_periods(AS_OF)} | set(LOOKS.values())
    made = forecast(
        Plant(
            as_of=AS_OF.toordinal(),
            histories=register.histories,
            designs=register.designs,
            design_items=register.design_items,
            intervals={("wet", "packing"): 900.0},
            windows=tuple(sorted(windows)),
            areas=register.areas,
            questions=tuple(one.question for one in asked),
        )
    )
    return register, asked, made


def numbers(value: object) -> list[float]:
    """Every float in a row, however deep."""
    if isinstance(value, float):
        return [value]
    parts = value.values() if isinstance(value, Mapping) else value if isinstance(value, list | tuple) else ()
    return [number for part in parts for number in numbers(part)]


def test_demand_has_a_row_per_area_kit_and_period() -> None:
    _, _, made = small_plant()
    periods = forecast_periods(AS_OF)
    rows = list(demand_rows(made, periods, as_of=AS_OF, reasons={"KT": "something left out"}))
    assert len(rows) == len(made.demand) * len(periods)
    assert {(row["area"], row["kit"]) for row in rows} == {
        (area, kit) for area in ("", "U100", "U200") for kit in ("KP", "KT")
    }
    for row in rows:
        assert sum(numbers(row["probabilities"])) == pytest.approx(1.0, abs=1e-5)
        assert row["p10"] <= row["p50"] <= row["p80"] <= row["p90"] <= row["p95"]  # type: ignore[operator]
        assert all(number == round6(number) for number in numbers(row))
        assert all(number == 0.0 or number > 1e-12 for number in numbers(row["probabilities"]))
    by_kit = {row["kit"]: (row["status"], row["reason"]) for row in rows}
    assert by_kit == {"KP": ("forecast", None), "KT": ("incomplete", "something left out")}


def test_a_demand_row_is_the_distribution_s_mean_quantiles_and_kinds() -> None:
    _, _, made = small_plant()
    year = Period(bucket="year", starts_on=date(2026, 3, 2), ends_on=date(2027, 3, 1))
    (row,) = [
        row for row in demand_rows(made, [year], as_of=AS_OF, reasons={}) if (row["area"], row["kit"]) == ("", "KP")
    ]
    demand = made.demand["", "KP"][0.0, 365.0]
    assert row["mean"] == round6(demand.mean)
    assert row["p90"] == demand.quantile(0.9)
    assert (row["unplanned_mean"], row["planned_mean"]) == (round6(demand.unplanned), round6(demand.planned))
    assert row["turnaround_mean"] == 0.0
    assert demand.planned > 0.0


@pytest.mark.parametrize(("valves", "said"), [({"FV-9"}, "1 valve"), ({"FV-8", "FV-9"}, "2 valves")])
def test_valves_left_out_of_a_forecast_are_counted(valves: set[str], said: str) -> None:
    _, _, made = small_plant()
    short = replace(made, not_forecast={"KT": frozenset(valves)})
    assert shortfalls(short, {}) == {"KP": None, "KT": f"{said} left out: no lifetime is known"}


def models(made: Forecast, descriptions: Mapping[str, str] | None = None) -> dict[tuple[str, str], Row]:
    rows: list[Row] = list(failure_model_rows(made, descriptions or {}, {}))
    return {(row["service_class"], row["maintainable_item"]): row for row in rows}


def test_a_failure_model_has_its_numbers_counts_and_reason() -> None:
    _, _, made = small_plant()
    packing = models(made)["wet", "packing"]
    used = next(one for one in made.lifetimes if (one.service_class, one.item) == ("wet", "packing"))
    assert used.lifetime is not None
    assert packing["scale_days"] == round6(used.lifetime.scale)
    assert packing["b10_days"] == round6(used.lifetime.quantile(0.1))
    assert packing["details"]["median_days"] == round6(used.lifetime.quantile(0.5))
    assert packing["status"] == used.source.value
    assert (packing["failures"], packing["lives"]) == (used.fit and (used.fit.failures, used.fit.lives))
    assert packing["details"]["observed"].startswith(f"{packing['failures']} failures in ")
    assert packing["details"]["observed"].endswith(" valve-years")


def test_a_class_without_lives_says_that_nothing_was_watched() -> None:
    _, _, made = small_plant()
    new = models(made)["new", "trim"]
    assert (new["failures"], new["lives"], new["reason"]) == (
        0,
        0,
        "no life of this class could be watched: the other classes say everything",
    )
    assert new["details"]["observed"] == "nothing was watched"
    assert "laplace" not in new["details"]


def test_a_failure_model_nobody_knows_is_empty_with_a_reason() -> None:
    _, _, made = small_plant()
    unknown = [replace(one, lifetime=None) for one in made.lifetimes if one.service_class == "new"]
    row = models(replace(made, lifetimes=tuple(unknown)))["new", "trim"]
    assert [row[name] for name in ("family", "scale_days", "shape", "mean_days", "b10_days", "mle_shape")] == [None] * 6


def test_renewals_on_the_day_of_the_one_before_are_pointed_out() -> None:
    _, _, made = small_plant()
    assert models(made)["wet", "packing"]["details"]["warnings"][0].startswith(
        "1 renewals fell on the day of the one before: a place may carry several such items"
    )


def test_what_the_record_says_of_a_class_stands_beside_its_model() -> None:
    _, _, made = small_plant()
    warnings = models(made, {"wet": "two duties in one"})["wet", "trim"]["details"]["warnings"]
    assert "Of this service class the record says: two duties in one" in warnings


@pytest.mark.parametrize(
    ("laplace", "laplace_p", "chi_squared", "chi_squared_p", "said"),
    [
        (2.4, 0.016, 8.0, 0.01, ["Laplace p = 0.016", "MIL-HDBK-189 p = 0.01", "failures come ever faster"]),
        (-2.4, 0.016, 40.0, 0.2, ["Laplace p = 0.016", "failures come ever more slowly"]),
        (-1.3, 0.18, 37.2, 0.022, ["MIL-HDBK-189 p = 0.022", "failures come ever more slowly"]),
        (2.4, 0.016, 60.0, 0.001, ["Laplace p = 0.016", "MIL-HDBK-189 p = 0.001", "failures don't come evenly"]),
        (1.0, 0.3, 20.0, 0.9, []),
    ],
    ids=str,
)
def test_a_trend_is_said_in_the_direction_it_points(
    laplace: float, laplace_p: float, chi_squared: float, chi_squared_p: float, said: list[str]
) -> None:
    """One warning that names the tests that object, and none where none does."""
    _, _, made = small_plant()
    trend = TrendTests(
        failures=10, laplace=laplace, laplace_p=laplace_p, mil_hdbk_189=chi_squared, mil_hdbk_189_p=chi_squared_p
    )
    row = models(replace(made, trends={("wet", "trim"): trend}))["wet", "trim"]
    warnings = [warning for warning in row["details"]["warnings"] if "trend test" in warning]
    assert len(warnings) == bool(said)
    assert all(part in warning for warning in warnings for part in said)
    assert row["details"]["laplace_p"] == laplace_p


def test_masked_failures_are_pointed_out() -> None:
    _, _, made = small_plant()
    masked = tuple(one if one.fit is None else replace(one, fit=replace(one.fit, masked=3)) for one in made.lifetimes)
    warnings = models(replace(made, lifetimes=masked))["wet", "trim"]["details"]["warnings"]
    assert "3 lives ended with a failure whose item isn't said." in warnings


def needs() -> dict[tuple[str, str], Row]:
    register, asked, made = small_plant()
    rows: list[Row] = list(need_rows(made, asked, register.storerooms, {("wet", "packing"): "predetermined"}))
    return {(row["tag"], row["kit"]): row for row in rows}


def test_every_valve_says_how_surely_it_needs_each_kit() -> None:
    rows = needs()
    assert set(rows) == {(tag, kit) for tag in ("FV-1", "FV-2", "FV-3") for kit in ("KP", "KT")}
    for row in rows.values():
        assert 0.0 <= row["p_30"] <= row["p_90"] <= row["p_365"] <= 1.0
        assert all(number == round6(number) for number in numbers(row))
        assert row["storeroom"] == "MAIN"
    assert rows["FV-1", "KP"]["policy"] == "predetermined"
    assert rows["FV-1", "KT"]["policy"] == "corrective"


def test_needs_of_the_valves_add_up_to_the_demand_the_decision_was_made_for() -> None:
    _, _, made = small_plant()
    expected = sum(row["mean_protection"] for (_, kit), row in needs().items() if kit == "KT")
    assert expected == pytest.approx(made.decisions["MAIN", "KT"].demand, rel=1e-4)


def test_an_age_is_said_or_said_to_be_unknown_and_a_wait_too() -> None:
    """FV-1's packing waits since it was found failed; nobody knows when FV-2's trim was renewed; FV-3 is new."""
    rows = needs()
    assert rows["FV-1", "KP"]["details"] == {"awaits_renewal": True}
    assert rows["FV-1", "KP"]["p_30"] == 1.0
    assert (rows["FV-2", "KT"]["age_days"], rows["FV-2", "KT"]["details"]) == (
        None,
        {"age": "unknown: a distribution is used"},
    )
    assert (rows["FV-3", "KT"]["age_days"], rows["FV-3", "KT"]["details"]) == (0, {})


def test_a_kit_nobody_asked_about_has_no_protection_interval() -> None:
    register, _, made = small_plant()
    rows = list(need_rows(made, [], register.storerooms, {}))
    assert {row["mean_protection"] for row in rows} == {None}


def test_findings_say_where_they_are_and_what_they_cost() -> None:
    findings = [
        Finding(kind="a", valve="FV-1", ref="WO-7", detail="d", treatment="t", lives_lost=1),
        Finding(kind="b", valve="FV-1", ref="", detail="d", treatment="t", lives_lost=2),
        Finding(kind="c", valve="", ref="U100", detail="d", treatment="t"),
    ]
    rows = list(finding_rows(findings, [("kits", "KX")], subjects_of([], []), {}))
    assert [(row["file"], row["record_key"], row["effect"]) for row in rows] == [
        ("kits", "KX", "assumptions take the place of what isn't said"),
        ("events", "WO-7", "1 life left out of the fit"),
        ("valves", "FV-1", "2 lives left out of the fit"),
        ("areas", "U100", None),
    ]
    assert rows[0]["detail"] == "KX is named but not described in kits.csv"
    assert [row["details"] for row in rows] == [{}, {"tag": "FV-1"}, {"tag": "FV-1"}, {}]


POSITION = StockPosition(on_hand=1, expired=0, unfilled=0, reserved=0, on_order=0, overdue=0, late=0)
SHORT = StockDecision(
    reorder_point=2,
    bound=3,
    order_quantity=4,
    proposed=4,
    levels=ServiceLevels(cycle_service_level=0.9612345678, fill_rate=0.98),
    position=POSITION,
    demand=0.8712,
    yearly_demand=5.4,
    short_if_ordered_today=0.1234,
)
ENOUGH = replace(SHORT, position=replace(POSITION, on_hand=5), proposed=0)


def trim_kit(**changed: Any) -> AskedStock:
    _, asked, _ = small_plant()
    return replace(next(one for one in asked if one.question.kit == "KT"), **changed)


def row_of(decision: StockDecision | None, *, history_days: float = 4000.0, **changed: Any) -> Row:
    return reorder_row(trim_kit(**changed), decision, as_of=AS_OF, history_days=history_days)


def test_an_old_kit_is_used_up_first_and_its_settings_are_named() -> None:
    told = "use up first 2 of KT-A, which it supersedes; use up first 1 of KT-B, which it supersedes"
    for decision in (SHORT, ENOUGH):
        row = row_of(decision, old_stock={"KT-B": 1, "KT-A": 2}, setting_of="KT-A")
        assert str(row["reason"]).endswith(f"; {told}; by the stock setting of KT-A")
        assert row["details"]["old_stock"] == {"KT-A": 2, "KT-B": 1}
        assert "KT-A" not in str(row_of(decision)["reason"])


@pytest.mark.parametrize(
    ("decision", "sentence"),
    [
        (
            SHORT,
            "position 1, reorder point 2; 0.87 expected in the 59 days an order and the next review take; "
            "12 % chance to run out before an order of today arrives",
        ),
        (ENOUGH, "position 5, reorder point 2: enough; 0.87 expected in the 59 days an order and the next review take"),
        (
            replace(SHORT, short_if_ordered_today=0.0, demand=0.0),
            "position 1, reorder point 2; under 0.01 expected in the 59 days an order and the next review take; "
            "under 1 % chance to run out before an order of today arrives",
        ),
        (
            replace(SHORT, short_if_ordered_today=1.0, demand=123.4),
            "position 1, reorder point 2; 123 expected in the 59 days an order and the next review take; "
            "over 99 % chance to run out before an order of today arrives",
        ),
        (
            replace(ENOUGH, position=replace(POSITION, on_order=6, overdue=2, late=3)),
            "position 7 (1 on hand; 6 on order, 2 of them overdue; 3 more due too late), reorder point 2: enough; "
            "0.87 expected in the 59 days an order and the next review take",
        ),
        (
            replace(ENOUGH, position=replace(POSITION, on_order=6)),
            "position 7 (1 on hand; 6 on order), reorder point 2: enough; "
            "0.87 expected in the 59 days an order and the next review take",
        ),
    ],
    ids=["order", "enough", "hardly ever", "nearly sure", "overdue and late", "on order"],
)
def test_the_reason_of_an_order_is_a_sentence(decision: StockDecision, sentence: str) -> None:
    assert row_of(decision)["reason"] == sentence


@pytest.mark.parametrize(
    ("chance", "said"),
    [(0.0099, "under 1 %"), (0.01, "1 %"), (0.5, "50 %"), (0.994, "over 99 %"), (0.99, "99 %"), (0.996, "over 99 %")],
)
def test_no_chance_is_said_to_be_nothing_or_sure(chance: float, said: str) -> None:
    assert f"; {said} chance to run out" in row_of(replace(SHORT, short_if_ordered_today=chance))["reason"]


def test_an_order_has_its_day_and_an_exact_cost() -> None:
    row = row_of(SHORT, unit_cost=Decimal("1200.10"))
    assert (row["proposed_quantity"], row["order_by"], row["cost"]) == (4, AS_OF, Decimal("4800.40"))
    assert (row["status"], row["position"], row["cycle_service_level"]) == ("computed", 1, 0.961235)
    assert row["details"]["simple_bound_reorder_point"] == 3


def test_without_a_price_an_order_has_no_cost_and_without_an_order_neither() -> None:
    assert row_of(SHORT, unit_cost=None)["cost"] is None
    nothing = row_of(ENOUGH, unit_cost=Decimal(7))
    assert (nothing["cost"], nothing["order_by"], nothing["proposed_quantity"]) == (None, None, 0)


@pytest.mark.parametrize(
    ("history_days", "said"),
    [
        (45.0 * 4, []),
        (150.0, ["lead time is 30 % of the history: the true chance of running out is higher than shown"]),
        (45.0, ["lead time is 100 % of the history: the true chance of running out is higher than shown"]),
        (0.0, ["lead time is longer than the history: the true chance of running out is higher than shown"]),
    ],
)
def test_a_short_history_is_pointed_out(history_days: float, said: list[str]) -> None:
    """Lead time over history drives how far service falls short: above a quarter it is said."""
    row = row_of(SHORT, history_days=history_days, warnings=("first",))
    assert row["details"]["warnings"] == ["first", *said]


def test_why_there_is_no_reorder_point() -> None:
    nobody = replace(trim_kit().question, valves=frozenset())
    rows = [row_of(None), row_of(None, question=nobody), row_of(None, question=nobody, successor="KN")]
    assert [row["reason"] for row in rows] == [
        "no lifetime is known for what it renews",
        "no valve this storeroom serves takes this kit",
        "superseded by KN",
    ]
    assert {(row["status"], row["proposed_quantity"]) for row in rows} == {("not_computed", 0)}

"""What a real spreadsheet program shows of what the service gives."""

import csv
from collections import defaultdict
from datetime import date
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.use_cases.make_sample import FIRST_ROW, OF_DEMAND, OF_STOCK, SAMPLE_ROWS
from tests.desktop.calc import ENGLISH, GERMAN, UTF_8, Calc, Sheet
from tests.desktop.conftest import ServedDemo

TEXT = "2"
ROWS_SEEN = 8
FIRST_DAY = date(1899, 12, 30)
"""From which spreadsheets count days."""
HEADER_ROW = FIRST_ROW - 1
FETCHING = 40  # turns of a quarter of a second, while sixty cells fetch
SEPARATOR = {"comma": "44", "semicolon": "59"}
LANGUAGE = {"comma": ENGLISH, "semicolon": GERMAN}


@pytest.fixture(scope="module")
def calc(soffice: str, tmp_path_factory: pytest.TempPathFactory) -> Calc:
    return Calc(soffice=soffice, folder=tmp_path_factory.mktemp("calc"))


@pytest.mark.parametrize("dialect", ["comma", "semicolon"])
def test_a_list_as_csv_keeps_days_and_decimals(calc: Calc, served_demo: ServedDemo, dialect: str) -> None:
    """Opened with the decimal mark and the separator of that dialect; shown by a program that writes a point."""
    asked = f"{served_demo.address}/v1/demand"
    rows = httpx.get(asked, params={"limit": "40"}).json()["value"]
    document = calc.folder / f"demand-{dialect}.csv"
    document.write_bytes(httpx.get(asked, params={"format": "csv", "dialect": dialect, "limit": "40"}).content)
    options = f"{SEPARATOR[dialect]},34,{UTF_8},1,,{LANGUAGE[dialect]},false,true"
    header, *shown = calc.read_text(document, options=options)
    assert header[:4] == ["kit", "starts_on", "ends_on", "mean"]
    assert [line[:4] for line in shown] == [
        [row["kit"], row["starts_on"], row["ends_on"], f"{row['mean']:.15g}"] for row in rows
    ]


def test_leading_zeros_stay_in_columns_opened_as_text(calc: Calc, tmp_path: Path) -> None:
    document = calc.folder / "codes.csv"
    document.write_bytes(b"kit,on_hand\r\n00701,3\r\n1E5,4\r\n")
    options = f"{SEPARATOR['comma']},34,{UTF_8},1,1/{TEXT},{ENGLISH},false,true"
    assert calc.read_text(document, options=options)[1:] == [["00701", "3"], ["1E5", "4"]]


@pytest.mark.parametrize("dialect", ["comma", "semicolon"])
def test_cells_ask_the_server_and_show_its_numbers(calc: Calc, served_demo: ServedDemo, dialect: str) -> None:
    """The sample workbook holds no values, so whatever its cells show they fetched themselves."""
    document = calc.folder / f"cells-{dialect}.xlsx"
    document.write_bytes(
        httpx.get(f"{served_demo.address}/v1/sample-workbook.xlsx", params={"dialect": dialect}).content
    )
    header, *shown = calc.read(document, turns=FETCHING)[HEADER_ROW - 1 :]
    assert header == ["storeroom", "kit", "position", "reorder_point", "order_quantity", "demand_mean", "demand_p90"]
    assert len(shown) == SAMPLE_ROWS
    for storeroom, kit, *numbers in shown:
        asked = f"{served_demo.address}/v1/cell"
        of_stock = [
            httpx.get(f"{asked}/{measure}", params={"storeroom": storeroom, "kit": kit}).text for measure in OF_STOCK
        ]
        of_demand = [httpx.get(f"{asked}/{measure}", params={"kit": kit}).text for measure in OF_DEMAND]
        assert [float(number) for number in numbers] == [float(told) for told in (*of_stock, *of_demand)]


@pytest.fixture(scope="module")
def workbook(calc: Calc, served_demo: ServedDemo) -> dict[str, Sheet]:
    """Give the forecast as a workbook, as a spreadsheet program has it."""
    document = calc.folder / "forecast.xlsx"
    document.write_bytes(httpx.get(f"{served_demo.address}/v1/workbook.xlsx").content)
    return calc.describe(document, rows=ROWS_SEEN)


def listed(served_demo: ServedDemo, address: str, **asked: str) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = httpx.get(f"{served_demo.address}{address}", params=asked).json()["value"]
    return rows


def test_headers_of_the_workbook_stay_in_sight(workbook: dict[str, Sheet]) -> None:
    frozen = {name: sheet.frozen_rows for name, sheet in workbook.items()}
    assert frozen == {"Order list": 1, "Demand": 1, "Kits by month": 1, "Turnaround budgets": 1, "About": 0}


def test_cells_of_the_workbook_are_days_and_numbers_formatted_as_such(
    workbook: dict[str, Sheet], served_demo: ServedDemo
) -> None:
    """A day is a number of days shown as ISO 8601, an amount has its thousands and cents, a code is text."""
    header, *shown = workbook["Order list"].rows
    lines = listed(served_demo, "/v1/order-list", limit=str(ROWS_SEEN))
    assert len(lines) == len(shown) == ROWS_SEEN
    for line, cells in zip(lines, shown, strict=True):
        seen = {name.shown: cell for name, cell in zip(header, cells, strict=True)}
        kit, quantity, by, cost = (seen[name] for name in ("kit", "order_quantity", "order_by", "cost"))
        assert (kit.kind, kit.form, kit.shown) == ("text", "@", line["kit"])
        assert (quantity.kind, quantity.form, quantity.value) == ("number", "0", line["order_quantity"])
        assert (by.kind, by.form, by.shown) == ("number", "YYYY-MM-DD", line["order_by"])
        assert by.value == (date.fromisoformat(line["order_by"]) - FIRST_DAY).days
        assert (cost.kind, cost.form) == ("number", "#,##0.00")
        assert (cost.value, cost.shown) == (float(line["cost"]), f"{float(line['cost']):,.2f}")
        assert "invented plant" in seen["notice"].shown


def test_the_chart_of_the_workbook_draws_what_the_months_add_up_to(
    workbook: dict[str, Sheet], served_demo: ServedDemo
) -> None:
    """Sums are formulas over the sheet of demand, and the program's own reckoning agrees with the interface."""
    months = workbook["Kits by month"]
    demand = httpx.get(f"{served_demo.address}/v1/demand", params={"bucket": "month", "format": "csv"}).text
    expected: defaultdict[str, float] = defaultdict(float)
    for row in csv.DictReader(demand.splitlines()):
        expected[row["starts_on"]] += float(row["mean"] or 0)
    for day, *sums in months.rows[1:]:
        assert [cell.kind for cell in (day, *sums)] == ["number", *["formula"] * 3]
        assert sum(cell.value for cell in sums) == pytest.approx(expected[day.shown], rel=1e-4)
    [chart] = months.charts
    assert (chart.title, chart.series) == ("Kits expected to be needed, all kits together", 3)
    assert chart.total == pytest.approx(sum(expected.values()), rel=1e-4)


def test_budgets_of_the_workbook_are_the_plans_of_turnarounds(
    workbook: dict[str, Sheet], served_demo: ServedDemo
) -> None:
    header, *shown = workbook["Turnaround budgets"].rows
    rows = [{name.shown: cell for name, cell in zip(header, cells, strict=True)} for cells in shown]
    code = rows[0]["turnaround"].shown
    budget = httpx.get(f"{served_demo.address}/v1/turnarounds/{code}/budget").json()
    for line, row in zip(budget["lines"], rows, strict=False):
        assert row["line"].shown == line["line"]
        assert {name: row[name].value for name in ("mean", "p50", "p80", "p90")} == {
            name: float(line[name]) for name in ("mean", "p50", "p80", "p90")
        }
        assert row["p80"].form == "#,##0.00"

"""What a real spreadsheet program shows of what the service gives."""

from pathlib import Path

import httpx
import pytest

from service.use_cases.make_sample import FIRST_ROW, OF_DEMAND, OF_STOCK, SAMPLE_ROWS
from tests.desktop.calc import ENGLISH, GERMAN, UTF_8, Calc
from tests.desktop.conftest import ServedDemo

TEXT = "2"
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

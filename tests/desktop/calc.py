"""LibreOffice Calc, headless: opens a document with its links allowed, recalculates it, tells what is in it."""

import csv
import subprocess
from dataclasses import dataclass
from pathlib import Path

SECONDS = 120
UTF_8 = "76"
ENGLISH, GERMAN = "1033", "1031"

LIBRARY = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE library:library PUBLIC "-//OpenOffice.org//DTD OfficeDocument 1.0//EN" "library.dtd">
<library:library xmlns:library="http://openoffice.org/2000/library" library:name="Standard" library:readonly="false">
 <library:element library:name="Reading"/>
</library:library>"""
# Cells fetch in the background: what has come counts at the next turn.
MODULE = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE script:module PUBLIC "-//OpenOffice.org//DTD OfficeDocument 1.0//EN" "module.dtd">
<script:module xmlns:script="http://openoffice.org/2000/script" script:name="Reading" script:language="StarBasic">
Sub Main
  On Error Goto Failed
  Dim opening({last}) As New com.sun.star.beans.PropertyValue
  opening(0).Name = "Hidden"
  opening(0).Value = True
  opening(1).Name = "UpdateDocMode"
  opening(1).Value = 3
  {import_options}
  document = StarDesktop.loadComponentFromURL("{source}", "_blank", 0, opening())
  For turn = 1 To {turns}
    document.calculateAll()
    Wait 250
  Next
  {telling}
  document.close(True)
  Exit Sub
Failed:
  number = FreeFile
  Open "{failure}" For Output As #number
  Print #number, Error$
  Close #number
End Sub
</script:module>"""
SHEET_AS_CSV = """Dim saving(1) As New com.sun.star.beans.PropertyValue
  saving(0).Name = "FilterName"
  saving(0).Value = "Text - txt - csv (StarCalc)"
  saving(1).Name = "FilterOptions"
  saving(1).Value = "44,34,76,1,,0,true,true,false,false,false,{sheet}"
  document.storeToURL("{target}", saving())"""
# a row each: of the sheet, of its cells, of its charts
TYPED_CELLS = """number = FreeFile
  Open "{target}" For Output As #number
  view = document.CurrentController
  For Each sheet In document.Sheets
    view.ActiveSheet = sheet
    Print #number, Join(Array("sheet", sheet.Name, view.hasFrozenPanes(), view.SplitRow), Chr(9))
    cursor = sheet.createCursor()
    cursor.gotoEndOfUsedArea(False)
    For row = 0 To {rows}
      For column = 0 To cursor.RangeAddress.EndColumn
        cell = sheet.getCellByPosition(column, row)
        form = document.NumberFormats.getByKey(cell.NumberFormat).FormatString
        shown = Replace(cell.String, Chr(10), " ")
        Print #number, Join(Array("cell", row, column, cell.Type, form, shown, cell.Value), Chr(9))
      Next
    Next
    For place = 0 To sheet.Charts.Count - 1
      chart = sheet.Charts.getByIndex(place).EmbeddedObject
      serie = chart.FirstDiagram.CoordinateSystems(0).ChartTypes(0).DataSeries
      total = 0
      For Each one In serie
        For Each height In one.DataSequences(0).Values.Data
          total = total + height
        Next
      Next
      Print #number, Join(Array("chart", chart.Title.String, UBound(serie) + 1, total), Chr(9))
    Next
  Next
  Close #number"""
TRUSTED = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Office.Common/Security/Scripting"><prop oor:name="SecureURL" oor:op="fuse"><value>
<it>{folder}</it></value></prop></item></oor:items>"""
IMPORT_OPTIONS = """opening(2).Name = "FilterName"
  opening(2).Value = "Text - txt - csv (StarCalc)"
  opening(3).Name = "FilterOptions"
  opening(3).Value = "{options}" """


KINDS = {"0": "empty", "1": "number", "2": "text", "3": "formula"}


@dataclass(frozen=True)
class Cell:
    """What the program takes a cell for, how it formats it, what it shows, the number behind it."""

    kind: str
    form: str
    shown: str
    value: float


@dataclass(frozen=True, kw_only=True)
class Chart:
    """A chart: its title, how many series it has, what the values it draws add up to."""

    title: str
    series: int
    total: float


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """A sheet: rows that stay in sight, its first rows of cells, its charts."""

    frozen_rows: int
    rows: list[list[Cell]]
    charts: list[Chart]


@dataclass(frozen=True, kw_only=True)
class Calc:
    """LibreOffice with a profile of its own, which trusts one folder."""

    soffice: str
    folder: Path

    def read(self, document: Path, *, sheet: int = 1, turns: int = 2) -> list[list[str]]:
        """Open a workbook and give a sheet as shown."""
        return self._read(document, import_options="", last=1, sheet=sheet, turns=turns)

    def read_text(self, document: Path, *, options: str) -> list[list[str]]:
        """Open a CSV file as the dialogue for text files does with these options, and give its cells as shown."""
        said = IMPORT_OPTIONS.format(options=options)
        return self._read(document, import_options=said, last=3, sheet=0, turns=1)

    def describe(self, document: Path, *, rows: int) -> dict[str, Sheet]:
        """Open a workbook and tell what its sheets are: the header and so many rows below it, frozen panes, charts."""
        target = self.folder / f"{document.stem}.seen"
        self._tell(document, TYPED_CELLS.format(target=target, rows=rows), import_options="", last=1, turns=1)
        sheets: dict[str, Sheet] = {}
        for kind, *told in csv.reader(
            target.read_text(encoding="utf-8").splitlines(), delimiter="\t", quoting=csv.QUOTE_NONE
        ):
            if kind == "sheet":
                name, frozen, split = told
                sheet = sheets[name] = Sheet(frozen_rows=int(split) if frozen == "True" else 0, rows=[], charts=[])
            elif kind == "chart":
                title, series, total = told
                sheet.charts.append(Chart(title=title, series=int(series), total=float(total)))
            else:
                row, _, *cell = told
                sheet.rows.extend([] for _ in range(int(row) + 1 - len(sheet.rows)))
                sheet.rows[int(row)].append(Cell(KINDS[cell[0]], cell[1], cell[2], float(cell[3])))
        return sheets

    def _read(self, document: Path, *, sheet: int, **filled: str | int) -> list[list[str]]:
        target = self.folder / f"{document.stem}.shown"
        self._tell(document, SHEET_AS_CSV.format(target=target.as_uri(), sheet=sheet), **filled)
        written = target if target.exists() else next(self.folder.glob(f"{document.stem}-*.shown"))
        with written.open(encoding="utf-8", newline="") as lines:
            rows = list(csv.reader(lines))
        written.unlink()
        return rows

    def _tell(self, document: Path, telling: str, **filled: str | int) -> None:
        failure = self.folder / "failure"
        basic = self.folder / "profile/user/basic/Standard"
        if not basic.exists():
            # a new profile is filled with what stands in the programme's folder, over what is there already
            basic.parents[1].mkdir(parents=True)
            (basic.parents[1] / "registrymodifications.xcu").write_text(TRUSTED.format(folder=self.folder.as_uri()))
            self._run("macro:///Standard.Module1.Main")
        (basic / "script.xlb").write_text(LIBRARY)
        paths = {"source": document.as_uri(), "failure": str(failure)}
        (basic / "Reading.xba").write_text(MODULE.format(telling=telling, **paths, **filled))
        self._run("macro:///Standard.Reading.Main")
        assert not failure.exists(), failure.read_text()

    def _run(self, wanted: str) -> None:
        profile = f"-env:UserInstallation={(self.folder / 'profile').as_uri()}"
        subprocess.run([self.soffice, "--headless", "--norestore", profile, wanted], check=True, timeout=SECONDS)

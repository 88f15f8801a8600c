import csv
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest

from seed_demo import write_demo_plant

Table = list[dict[str, str]]


@dataclass(frozen=True)
class Plant:
    """The demo files read back by nothing but the csv module."""

    folder: Path
    tables: dict[str, Table]

    @property
    def valves(self) -> dict[str, dict[str, str]]:
        """Valves by tag in upper case."""
        return {valve["tag"].upper(): valve for valve in self.tables["valves"]}

    @property
    def events(self) -> Table:
        """Events in the order of the file."""
        return self.tables["events"]

    def begin(self, tag: str) -> date | None:
        """First day of the records of this valve, None where its area doesn't say."""
        valve = self.valves[tag.upper()]
        areas = {area["code"]: area["records_begin_on"] for area in self.tables["areas"]}
        stated = valve["records_begin_on"] or areas[valve["area"]]
        return date.fromisoformat(stated) if stated else None

    def fitting_kits(self, design: str) -> set[str]:
        """Kits that fit a design, with those they superseded."""
        present = {row["kit"] for row in self.tables["design_kits"] if row["design"] == design}
        older = {kit["code"] for kit in self.tables["kits"] if kit["superseded_by"] in present}
        return present | older

    def pairs(self, cell: str) -> dict[str, str]:
        """Read a cell like `packing:ok|trim:failed`."""
        return dict(part.split(":") for part in cell.split("|")) if cell else {}

    def renewed(self, event: dict[str, str]) -> set[str]:
        """Items that an event renewed as far as its row says."""
        if event["renewed"]:
            return set(event["renewed"].split("|"))
        renews = {kit["code"]: set(kit["renews"].split("|")) for kit in self.tables["kits"]}
        return set().union(*(renews[kit] for kit in self.pairs(event["kits_used"])))

    def rebuilds(self, tag: str) -> Table:
        """Rebuilds and exchanges of one valve by the day they were done."""
        of_valve = [event for event in self.events if event["tag"].upper() == tag.upper()]
        renewals = [event for event in of_valve if event["action"] in {"rebuild", "exchange"}]
        return sorted(renewals, key=lambda event: event["done_on"])


def read(folder: Path) -> Plant:
    tables = {}
    for path in sorted(folder.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            tables[path.stem] = list(csv.DictReader(file, strict=True))
    return Plant(folder=folder, tables=tables)


@pytest.fixture(scope="session")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    folder = tmp_path_factory.mktemp("plant")
    write_demo_plant(folder)
    return read(folder)

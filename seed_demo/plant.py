"""The invented plant: its areas, storerooms, services, policies and the groups of valves built into it."""

from dataclasses import dataclass
from datetime import date

SEED = "quillmoor"
DEMO_AS_OF = date(2026, 6, 30)
ITEMS = ("packing", "trim", "actuator")


@dataclass(frozen=True, kw_only=True)
class Area:
    """A process unit; `written_since` is the true first day of its files, which `records_begin_on` may hide."""

    code: str
    name: str
    digit: int
    storeroom: str
    records_begin_on: date | None
    written_since: date
    letter: str
    turnaround_every_years: int
    turnaround_month: int
    turnaround_last: int


@dataclass(frozen=True)
class Group:
    """Valves built into one area for one service between two years (both inclusive)."""

    area: str
    service_class: str
    count: int
    built_from: int
    built_to: int
    designs: tuple[str, ...]


AREAS = (
    Area(
        code="AMMONIA", name="Quillmoor Works, ammonia", digit=1, storeroom="ST-MAIN",
        records_begin_on=date(2014, 7, 1), written_since=date(2014, 7, 1),
        letter="A", turnaround_every_years=2, turnaround_month=9, turnaround_last=2025,
    ),
    Area(
        code="CO2", name="Quillmoor Works, CO2 removal", digit=2, storeroom="ST-MAIN",
        records_begin_on=date(2014, 7, 1), written_since=date(2014, 7, 1),
        letter="B", turnaround_every_years=2, turnaround_month=9, turnaround_last=2025,
    ),
    Area(
        code="UREA", name="Quillmoor Works, urea", digit=3, storeroom="ST-UREA",
        records_begin_on=date(2017, 1, 1), written_since=date(2017, 1, 1),
        letter="C", turnaround_every_years=2, turnaround_month=4, turnaround_last=2026,
    ),
    Area(
        code="UTIL", name="Quillmoor Works, steam and utilities", digit=4, storeroom="ST-WEST",
        records_begin_on=date(2014, 7, 1), written_since=date(2014, 7, 1),
        letter="D", turnaround_every_years=1, turnaround_month=10, turnaround_last=2025,
    ),
    Area(
        code="TANKS", name="Quillmoor Works, tank farm and loading", digit=5, storeroom="ST-WEST",
        records_begin_on=None, written_since=date(2014, 9, 1),
        letter="E", turnaround_every_years=3, turnaround_month=6, turnaround_last=2024,
    ),
)  # fmt: skip
AREA = {area.code: area for area in AREAS}

STOREROOMS = (  # code, name, review_period_days
    ("ST-MAIN", "Quillmoor main store", 7),
    ("ST-UREA", "Quillmoor urea bench store", 7),
    ("ST-WEST", "Quillmoor west gate store", 14),
)

SERVICE_CLASSES = (  # code, name, description: what wears
    ("CLEAN-WATER", "clean water and air", "Benign; packing dries out, seats wear slowly."),
    ("SYNGAS", "synthesis gas", "Hot and dry; fine dust scores plug and seat, stem packing hardens."),
    ("WET-CO2", "wet CO2", "Carbonic acid eats seat and cage edges; packing follower corrodes."),
    ("HP-STEAM", "high pressure steam", "Heat cycles loosen the packing; wire drawing cuts the seat."),
    ("BFW-LETDOWN", "feedwater letdown", "Cavitation and flashing eat the trim within a year or so."),
    ("CARBAMATE", "carbamate solution", "Crystals jam some trims early; the rest corrode evenly over years."),
    ("SOLVENT", "lean and rich solvent", "Fines and foam erode at random; packing swells slowly."),
    ("COLD-NH3", "cold ammonia", "Ice on the stem wears the packing; trim hardly moves."),
)

POLICIES = {  # (service class, item): policy, interval_days; every other pair is corrective
    ("HP-STEAM", "packing"): ("predetermined", 1461),
    ("SYNGAS", "actuator"): ("predetermined", 2192),
    ("SYNGAS", "trim"): ("opportunistic", 1826),
    ("WET-CO2", "trim"): ("opportunistic", 1000),
    ("CARBAMATE", "trim"): ("opportunistic", 1000),
    ("BFW-LETDOWN", "trim"): ("opportunistic", 200),
}

_SMALL_GLOBES = ("DN025-C150-GLOBE", "DN050-C150-GLOBE", "DN080-C150-GLOBE")
_WATER = (*_SMALL_GLOBES, "DN150-C150-DISC")
_GAS = ("DN050-C600-CAGE", "DN080-C600-CAGE", "DN100-C600-CAGE")
_STEAM = ("DN080-C900-CAGE", "DN150-C900-CAGE")
_LETDOWN = ("DN040-C1500-STEP", "DN080-C1500-STEP")
_ACID = ("DN080-C300-DUPLEX", "DN150-C300-DUPLEX")
_SOLVENT = ("DN050-C300-CAGE", "DN080-C300-CAGE")
_CARBAMATE = ("DN050-C1500-ANGLE", "DN080-C1500-ANGLE")

GROUPS = (
    Group("AMMONIA", "SYNGAS", 50, 1998, 2001, _GAS),
    Group("AMMONIA", "SYNGAS", 18, 2009, 2012, _GAS),
    Group("AMMONIA", "SYNGAS", 6, 2019, 2024, _GAS[1:]),
    Group("AMMONIA", "HP-STEAM", 22, 1998, 2001, _STEAM),
    Group("AMMONIA", "CLEAN-WATER", 26, 1998, 2003, _WATER),
    Group("AMMONIA", "BFW-LETDOWN", 6, 1998, 2001, _LETDOWN),
    Group("CO2", "SOLVENT", 30, 1998, 2002, _SOLVENT),
    Group("CO2", "SOLVENT", 8, 2015, 2021, _SOLVENT),
    Group("CO2", "WET-CO2", 34, 1998, 2002, _ACID),
    Group("CO2", "WET-CO2", 12, 2014, 2023, _ACID),
    Group("CO2", "CLEAN-WATER", 16, 1999, 2004, _WATER),
    Group("UREA", "CARBAMATE", 34, 2006, 2008, _CARBAMATE),
    Group("UREA", "CARBAMATE", 10, 2016, 2020, _CARBAMATE),
    Group("UREA", "WET-CO2", 8, 2006, 2008, _ACID),
    Group("UREA", "HP-STEAM", 10, 2006, 2008, _STEAM[:1]),
    Group("UREA", "CLEAN-WATER", 30, 2006, 2008, _SMALL_GLOBES),
    Group("UTIL", "BFW-LETDOWN", 14, 1998, 2001, _LETDOWN),
    Group("UTIL", "BFW-LETDOWN", 6, 2016, 2022, _LETDOWN[1:]),
    Group("UTIL", "HP-STEAM", 28, 1998, 2002, _STEAM),
    Group("UTIL", "HP-STEAM", 8, 2017, 2024, _STEAM),
    Group("UTIL", "CLEAN-WATER", 40, 1998, 2004, _WATER),
    Group("UTIL", "CLEAN-WATER", 2, 2011, 2012, ("DN065-C150-SPOOL",)),  # a design nobody described
    Group("UTIL", "BRINE", 2, 2013, 2016, ("DN050-C150-GLOBE",)),  # a service nobody described
    Group("TANKS", "COLD-NH3", 8, 2021, 2023, ("DN100-C150-COLD",)),
    Group("TANKS", "CLEAN-WATER", 20, 2001, 2006, _SMALL_GLOBES),
    Group("TANKS", "CLEAN-WATER", 8, 2015, 2025, _SMALL_GLOBES),
)

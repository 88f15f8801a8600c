"""The invented designs and rebuild kits, and which kits a rebuild of a design takes on a given day."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal


@dataclass(frozen=True)
class Design:
    """A valve design; the air limit is the most its actuator casing takes, in kPa, the capacity a Kv in m3/h."""

    code: str
    name: str
    body_size: str
    rating: str
    actuator_air_limit_kpa: int
    leakage_class: str
    seat_diameter_mm: int
    rated_capacity_kv: int


@dataclass(frozen=True)
class Fit:
    """The kits that fit a design, one per maintainable item."""

    packing: str
    trim: str
    actuator: str
    actuator_qty: int


@dataclass(frozen=True)
class Kit:
    """A rebuild kit; costs in the plant's currency, `shelf_life_days` None where nobody knows it."""

    code: str
    name: str
    unit_cost: str
    lead_time_days: int
    lead_time_sd_days: int
    min_order_qty: int
    pack_qty: int
    shelf_life_days: int | None


_LONG = 60  # days from which on a maker offers to hurry
_HURRY = "350.00"
_KEPT = Decimal("0.15")  # share of its price that a cancelled kit costs


def terms_of(kit: Kit) -> tuple[int | None, str | None, str | None]:
    """Say how soon a kit of a long lead time comes when it is hurried, for how much, and what cancelling one costs."""
    if kit.lead_time_days < _LONG:
        return None, None, None
    return kit.lead_time_days // 2, _HURRY, f"{Decimal(kit.unit_cost) * _KEPT:.2f}"


DESIGNS = (
    Design("DN025-C150-GLOBE", "small globe", "DN 25", "Class 150", 400, "IV", 25, 11),
    Design("DN050-C150-GLOBE", "globe", "DN 50", "Class 150", 400, "IV", 51, 45),
    Design("DN080-C150-GLOBE", "globe", "DN 80", "Class 150", 400, "IV", 76, 110),
    Design("DN150-C150-DISC", "rotary disc", "DN 150", "Class 150", 550, "II", 152, 700),
    Design("DN100-C150-COLD", "long neck globe", "DN 100", "Class 150", 400, "VI", 102, 170),
    Design("DN050-C300-CAGE", "caged globe", "DN 50", "Class 300", 400, "IV", 51, 40),
    Design("DN080-C300-CAGE", "caged globe", "DN 80", "Class 300", 450, "IV", 76, 100),
    Design("DN080-C300-DUPLEX", "duplex globe", "DN 80", "Class 300", 450, "IV", 76, 95),
    Design("DN150-C300-DUPLEX", "duplex globe", "DN 150", "Class 300", 550, "III", 152, 380),
    Design("DN050-C600-CAGE", "caged globe", "DN 50", "Class 600", 450, "V", 51, 36),
    Design("DN080-C600-CAGE", "caged globe", "DN 80", "Class 600", 500, "V", 76, 90),
    Design("DN100-C600-CAGE", "caged globe", "DN 100", "Class 600", 500, "IV", 102, 150),
    Design("DN080-C900-CAGE", "hot caged globe", "DN 80", "Class 900", 500, "V", 76, 85),
    Design("DN150-C900-CAGE", "hot caged globe", "DN 150", "Class 900", 550, "IV", 152, 330),
    Design("DN040-C1500-STEP", "stepped letdown", "DN 40", "Class 1500", 550, "V", 32, 9),
    Design("DN080-C1500-STEP", "stepped letdown", "DN 80", "Class 1500", 550, "V", 64, 35),
    Design("DN050-C1500-ANGLE", "urea angle", "DN 50", "Class 1500", 600, "V", 38, 20),
    Design("DN080-C1500-ANGLE", "urea angle", "DN 80", "Class 1500", 600, "V", 64, 48),
)
FITS = {  # design: packing, trim and actuator kit, number of actuator kits
    "DN025-C150-GLOBE": Fit("Q-PAC-102", "Q-TRM-201", "Q-ACT-301", 1),
    "DN050-C150-GLOBE": Fit("Q-PAC-102", "Q-TRM-202", "Q-ACT-301", 1),
    "DN080-C150-GLOBE": Fit("Q-PAC-103", "Q-TRM-203", "Q-ACT-302", 1),
    "DN150-C150-DISC": Fit("Q-PAC-104", "Q-TRM-204", "Q-ACT-303", 2),
    "DN100-C150-COLD": Fit("Q-PAC-105", "Q-TRM-205", "Q-ACT-302", 1),
    "DN050-C300-CAGE": Fit("Q-PAC-103", "Q-TRM-206", "Q-ACT-302", 1),
    "DN080-C300-CAGE": Fit("Q-PAC-106", "Q-TRM-207", "Q-ACT-304", 1),
    "DN080-C300-DUPLEX": Fit("Q-PAC-107", "Q-TRM-208", "Q-ACT-304", 1),
    "DN150-C300-DUPLEX": Fit("Q-PAC-107", "Q-TRM-209", "Q-ACT-305", 1),
    "DN050-C600-CAGE": Fit("Q-PAC-106", "Q-TRM-210", "Q-ACT-304", 1),
    "DN080-C600-CAGE": Fit("Q-PAC-108", "Q-TRM-211", "Q-ACT-305", 1),
    "DN100-C600-CAGE": Fit("Q-PAC-108", "Q-TRM-211", "Q-ACT-306", 1),
    "DN080-C900-CAGE": Fit("Q-PAC-109", "Q-TRM-212", "Q-ACT-306", 1),
    "DN150-C900-CAGE": Fit("Q-PAC-109", "Q-TRM-213", "Q-ACT-307", 2),
    "DN040-C1500-STEP": Fit("Q-PAC-110", "Q-TRM-214", "Q-ACT-308", 1),
    "DN080-C1500-STEP": Fit("Q-PAC-110", "Q-TRM-215", "Q-ACT-308", 1),
    "DN050-C1500-ANGLE": Fit("Q-PAC-111", "Q-TRM-216", "Q-ACT-309", 1),
    "DN080-C1500-ANGLE": Fit("Q-PAC-111", "Q-TRM-217", "Q-ACT-309", 1),
}

KITS = {  # per maintainable item
    "packing": (
        Kit("Q-PAC-101", "packing, small stem, braided (old)", "64.00", 21, 6, 1, 1, None),
        Kit("Q-PAC-102", "packing, small stem, braided", "71.50", 14, 5, 5, 5, None),
        Kit("Q-PAC-103", "packing, medium stem, braided", "88.00", 14, 5, 2, 2, None),
        Kit("Q-PAC-104", "packing, rotary shaft, V rings", "126.40", 21, 7, 1, 1, 3650),
        Kit("Q-PAC-105", "packing, long neck, V rings", "182.00", 35, 10, 1, 1, 3650),
        Kit("Q-PAC-106", "packing, medium stem, V rings", "139.90", 21, 6, 2, 2, 3650),
        Kit("Q-PAC-107", "packing, acid duty, V rings with wiper", "214.75", 28, 9, 1, 1, 1825),
        Kit("Q-PAC-108", "packing, hot gas, graphite", "231.20", 28, 8, 1, 1, None),
        Kit("Q-PAC-109", "packing, hot steam, graphite live-loaded", "318.00", 30, 9, 2, 2, None),
        Kit("Q-PAC-110", "packing, letdown, graphite with bushing", "364.60", 35, 10, 1, 1, None),
        Kit("Q-PAC-111", "packing, urea duty, V rings with wiper", "397.30", 45, 14, 1, 1, 1825),
    ),
    "trim": (
        Kit("Q-TRM-201", "trim and packing, DN 25 globe", "940.00", 60, 14, 1, 1, None),
        Kit("Q-TRM-202", "trim and packing, DN 50 globe", "1180.00", 60, 14, 1, 1, None),
        Kit("Q-TRM-203", "trim and packing, DN 80 globe", "1490.00", 70, 16, 1, 1, None),
        Kit("Q-TRM-204", "disc, seat and packing, DN 150 rotary", "1720.00", 75, 18, 1, 1, 3650),
        Kit("Q-TRM-205", "trim and packing, DN 100 long neck", "2860.00", 120, 30, 1, 1, 3650),
        Kit("Q-TRM-206", "trim and packing, DN 50 cage", "2140.00", 84, 20, 1, 1, None),
        Kit("Q-TRM-207", "trim and packing, DN 80 cage", "2690.00", 84, 20, 1, 1, None),
        Kit("Q-TRM-208", "duplex trim and packing, DN 80", "4380.00", 140, 35, 1, 1, 1825),
        Kit("Q-TRM-209", "duplex trim and packing, DN 150", "6950.00", 168, 40, 1, 1, 1825),
        Kit("Q-TRM-210", "hard-faced trim and packing, DN 50 cage", "3320.00", 112, 28, 1, 1, None),
        Kit("Q-TRM-211", "hard-faced trim and packing, DN 80/100 cage", "4110.00", 112, 28, 1, 1, None),
        Kit("Q-TRM-212", "hot trim and packing, DN 80 cage", "4740.00", 126, 30, 1, 1, None),
        Kit("Q-TRM-213", "hot trim and packing, DN 150 cage", "7880.00", 154, 38, 1, 1, None),
        Kit("Q-TRM-214", "stepped trim and packing, DN 40", "5260.00", 126, 30, 1, 1, None),
        Kit("Q-TRM-215", "stepped trim and packing, DN 80", "8470.00", 140, 35, 2, 1, None),
        Kit("Q-TRM-216", "urea-grade trim and packing, DN 50", "9350.00", 240, 55, 1, 1, 1825),
        Kit("Q-TRM-217", "urea-grade trim and packing, DN 80", "11900.00", 280, 60, 1, 1, 1825),
    ),
    "actuator": (
        Kit("Q-ACT-301", "diaphragm and stem seals, size 1", "158.00", 30, 8, 1, 1, 2922),
        Kit("Q-ACT-302", "diaphragm and stem seals, size 2", "196.50", 30, 8, 1, 1, 2922),
        Kit("Q-ACT-303", "piston seals, rotary, one end", "174.20", 42, 12, 2, 2, 2922),
        Kit("Q-ACT-304", "diaphragm and stem seals, size 3", "247.80", 35, 10, 1, 1, 2922),
        Kit("Q-ACT-305", "diaphragm and stem seals, size 4", "312.00", 35, 10, 1, 1, 2922),
        Kit("Q-ACT-306", "diaphragm, seals and bush, size 5", "428.40", 42, 12, 1, 1, 2922),
        Kit("Q-ACT-307", "hot piston seals, one end", "389.00", 56, 15, 1, 1, 1826),
        Kit("Q-ACT-308", "diaphragm, seals and bush, size 6", "566.00", 56, 15, 1, 1, None),
        Kit("Q-ACT-309", "long stroke piston seals and bush", "845.00", 70, 18, 1, 1, 1826),
    ),
}
KIT = {kit.code: kit for kits in KITS.values() for kit in kits}
RENEWS = {"packing": ("packing",), "trim": ("trim", "packing"), "actuator": ("actuator",)}
SUPERSEDED, SUCCESSOR, SUPERSEDED_ON = "Q-PAC-101", "Q-PAC-102", date(2021, 3, 15)


def kits_taken(design: str, renewed: tuple[str, ...], *, on: date) -> tuple[tuple[str, int], ...]:
    """Return kit and number taken by renewing these items; a design nobody described has no kits.

    Examples
    --------
    >>> kits_taken("DN050-C150-GLOBE", ("packing",), on=date(2020, 5, 4))
    (('Q-PAC-101', 1),)
    >>> kits_taken("DN150-C150-DISC", ("trim", "packing", "actuator"), on=date(2022, 5, 4))
    (('Q-TRM-204', 1), ('Q-ACT-303', 2))
    """
    if design not in FITS:
        return ()
    fit = FITS[design]
    packing = SUPERSEDED if fit.packing == SUCCESSOR and on < SUPERSEDED_ON else fit.packing
    taken: list[tuple[str, int]] = []
    if "trim" in renewed:
        taken.append((fit.trim, 1))
    elif "packing" in renewed:
        taken.append((packing, 1))
    if "actuator" in renewed:
        taken.append((fit.actuator, fit.actuator_qty))
    return tuple(taken)
